"""Whatever ends the host, the tip is lifted and the paste relieved: records, terminals and our own code that fail."""

import pytest
from harness import bench, job_of, sender
from programs import written

from pastewright.link.actions import Done, Doubt, Entered, Started
from pastewright.link.bench import Bench
from pastewright.link.conduct import Halt, RecordLostError, Wish, conduct
from pastewright.link.left_out import chosen
from pastewright.link.phases import Phase
from pastewright.link.port import PortLostError
from pastewright.link.run import Run
from pastewright.virtual import VirtualController

TRAVEL_MM = 12.0
STEP_S = 0.004


class Line:
    """A port to a virtual controller in made-up time: every read lets a moment pass."""

    name = "made-up"

    def __init__(self, protocol):
        self.controller = VirtualController(protocol, scale=1.0)
        self.now_s = 0.0
        self.dead = False
        if protocol == "cnc":
            self.controller.feed(b"$X\n", 0.0)

    def clock(self):
        return self.now_s

    def read(self):
        if self.dead:
            raise PortLostError("pulled")
        self.now_s += STEP_S
        return self.controller.take(self.now_s)

    def write(self, data):
        self.controller.feed(data, self.now_s)

    def close(self):
        pass

    @property
    def tip_mm(self):
        return self.controller.state.axes_mm[2]


@pytest.fixture(params=["reprap", "cnc"])
def protocol(request):
    return request.param


class Book:
    """A record that fails between two of its entries, as a locked journal or a full disk does."""

    def __init__(self, fails=range(0)):
        self.fails, self.count, self.actions = fails, 0, []

    def __call__(self, actions):
        self.count += 1
        if self.count - 1 in self.fails:
            raise RecordLostError("the journal cannot be written: database or disk is full")
        self.actions += actions

    def states(self):
        states: dict[int, str] = {}
        for action in self.actions:
            if isinstance(action, Started | Done | Doubt):
                before = {Started: None, Done: "Started", Doubt: "Started"}[type(action)]
                for key in action.deposits:
                    assert states.get(key) == before, (key, states, action)
                    states[key] = type(action).__name__
        return states


def laid(
    protocol, book, *, wishes=lambda line: [], show=lambda actions: None, deposits=4, rescue=None, run=Run
):
    job = job_of(written(protocol, deposits, beads=False))
    line = Line(protocol)
    made = run(job, chosen(job, [one.id for one in job.deposits]), sender(protocol), bench(protocol))
    conduct(
        made,
        line,
        book,
        wishes=lambda: wishes(line),
        show=show,
        clock=line.clock,
        rescue=rescue or (lambda why: False),
    )
    return line, made, job


def begun(line, job):
    """Return the deposits whose first line the controller has carried out, and how often."""
    executed = [one.text.replace(" ", "") for one in line.controller.executed]
    return {
        block.deposit: executed.count(block.lines[0].replace(" ", ""))
        for block in job.blocks
        if block.deposit is not None
    }


@pytest.mark.parametrize("fails", [0, 1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("last", [1, 3, 1000])
def test_a_journal_that_fails_stops_the_run_with_the_tip_up(protocol, fails, last, monkeypatch):
    monkeypatch.setattr("pastewright.link.conduct.sleep", lambda seconds: None)
    book = Book(range(fails, fails + last))
    job = job_of(written(protocol, 4, beads=False))
    line = Line(protocol)
    run = Run(job, chosen(job, [one.id for one in job.deposits]), sender(protocol), bench(protocol))
    lost = False
    try:
        conduct(run, line, book, wishes=list, show=lambda actions: None, clock=line.clock)
    except RecordLostError:
        lost = True
    assert lost == (last == 1000)
    assert run.phase is Phase.STOPPED
    assert "full" in run.why
    if begun(line, job)[10]:
        assert line.tip_mm == pytest.approx(TRAVEL_MM)
    written_down = book.states()
    for deposit, times in begun(line, job).items():
        # With the record in order again, what was begun is in it, once; what is not in it was never begun.
        assert times <= 1
        if times and not lost:
            assert deposit in written_down
        if written_down.get(deposit) == "Done":
            assert times == 1
    if not lost:
        ended = [action for action in book.actions if isinstance(action, Entered)][-1]
        assert ended.phase is Phase.STOPPED
        assert "full" in ended.why


def when_down(line):
    return line.tip_mm < TRAVEL_MM - 1 and line.now_s > 4


def test_a_halt_carries_its_reason(protocol):
    book = Book()
    line, run, _ = laid(protocol, book, wishes=lambda line: [Halt("the cat")] if when_down(line) else [])
    assert line.tip_mm == pytest.approx(TRAVEL_MM)
    assert run.phase is Phase.STOPPED
    assert [action for action in book.actions if isinstance(action, Entered)][-1].why == "the cat"


def raising(error):
    def wishes(line):
        if when_down(line):
            raise error
        return []

    return wishes


def test_a_keyboard_that_is_gone_stops_the_run(protocol):
    line, run, _ = laid(protocol, Book(), wishes=raising(OSError(5, "Input/output error")))
    assert line.tip_mm == pytest.approx(TRAVEL_MM)
    assert run.phase is Phase.STOPPED
    assert "terminal" in run.why


def test_a_broken_pipe_stops_the_run(protocol):
    shown = []

    def show(actions):
        shown.extend(actions)
        if any(isinstance(action, Started) for action in shown):
            raise BrokenPipeError(32, "Broken pipe")

    book = Book()
    line, run, _ = laid(protocol, book, show=show)
    assert line.tip_mm == pytest.approx(TRAVEL_MM)
    assert run.phase is Phase.STOPPED
    assert "Broken pipe" in run.why
    assert "Started" not in book.states().values()


@pytest.mark.parametrize("error", [ZeroDivisionError("x"), KeyboardInterrupt(), SystemExit(3)])
def test_an_exception_of_our_own_lifts_first_and_is_raised_then(protocol, error):
    book = Book()
    job = job_of(written(protocol, 4, beads=False))
    line = Line(protocol)
    run = Run(job, chosen(job, [one.id for one in job.deposits]), sender(protocol), bench(protocol))
    with pytest.raises(type(error)):
        conduct(
            run, line, book, wishes=lambda: raising(error)(line), show=lambda actions: None, clock=line.clock
        )
    assert line.tip_mm == pytest.approx(TRAVEL_MM)
    assert run.phase is Phase.STOPPED
    ended = [action for action in book.actions if isinstance(action, Entered)][-1]
    assert type(error).__name__ in ended.why
    assert "Started" not in book.states().values()


def test_where_the_run_itself_is_broken_the_rescue_is_called(protocol):
    class Broken(Run):
        def received(self, data, now_s):
            if self.done:
                raise KeyError("our own")
            super().received(data, now_s)

    rescued = []
    book = Book()

    def rescue(why):
        rescued.append(why)
        return True

    with pytest.raises(KeyError):
        laid(protocol, book, run=Broken, rescue=rescue)
    assert len(rescued) == 1
    ended = [action for action in book.actions if isinstance(action, Entered)][-1]
    assert ended.phase is Phase.LOST
    assert "the tip was lifted" in ended.why


def test_an_emergency_is_sent_and_ends_the_run(protocol):
    line, run, _ = laid(protocol, Book(), wishes=lambda line: [Wish.EMERGENCY] if when_down(line) else [])
    assert run.phase is Phase.LOST
    assert line.controller.state.alarm
    assert isinstance(bench(protocol), Bench)
