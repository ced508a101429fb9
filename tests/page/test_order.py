"""Threads that come in another order than was meant: what a window hears last is what is so."""

from queue import Queue
from threading import Event, Thread

import pytest
from held_works import HeldWorks

from pastewright.page import workers
from pastewright.page.context import PageContext
from pastewright.page.desk import WorkFolder
from pastewright.page.inspect import InspectRoom
from pastewright.page.live import Live
from pastewright.page.run_room import RunRoom
from pastewright.page.steering import Steering
from pastewright.page.workers import Workroom
from pastewright.profile.examples import DEMO

PATIENCE_S = 20.0


def test_who_looked_first_does_not_tell_last():
    live, state = Live(), {"boards": 1}
    looked, go = Event(), Event()

    def slow_look():
        seen = dict(state)
        looked.set()
        assert go.wait(PATIENCE_S)
        return seen

    early = Thread(target=live.show, args=("boards", slow_look))
    early.start()
    assert looked.wait(PATIENCE_S)
    state["boards"] = 2
    late = Thread(target=live.show, args=("boards", lambda: dict(state)))
    late.start()
    late.join(0.2)  # without order it tells now, and the early one after it
    go.set()
    early.join(PATIENCE_S)
    late.join(PATIENCE_S)
    assert live.last("boards") == {"boards": 2}


class HandWorker:
    """A worker whose answers the test gives."""

    made: list["HandWorker"]

    def __init__(self, **_given):
        self.pipe = self.process = self
        self._answers: Queue[tuple[str, object]] = Queue()
        HandWorker.made.append(self)

    def send(self, _task):
        return

    def recv(self):
        return self._answers.get(timeout=PATIENCE_S)

    def answers(self, result):
        self._answers.put(("done", result))

    def is_alive(self):
        return True

    def kill(self):
        return


@pytest.fixture
def by_hand(monkeypatch):
    HandWorker.made = []
    monkeypatch.setattr(workers, "_Worker", HandWorker)
    return Workroom(Live())


def test_a_result_that_is_being_kept_is_not_kept_over_a_newer_one(by_hand):
    kept, keeping, go, both = [], Event(), Event(), Event()

    def keep_slowly(result):
        keeping.set()
        assert go.wait(PATIENCE_S)
        kept.append(result)

    def keep(result):
        kept.append(result)
        both.set()

    by_hand.begin("row", "Judging", print, then=keep_slowly)
    HandWorker.made[0].answers("old")
    assert keeping.wait(PATIENCE_S)
    by_hand.begin("row", "Judging", print, then=keep)
    HandWorker.made[-1].answers("new")
    both.wait(0.2)  # without order it would be kept first
    go.set()
    assert both.wait(PATIENCE_S)
    assert kept == ["old", "new"]


def test_a_result_that_was_given_up_is_not_kept(by_hand):
    kept: list[object] = []
    number = by_hand.begin("row", "Judging", print, then=kept.append)
    assert by_hand.give_up(number)
    HandWorker.made[0].answers("late")
    ended = Event()
    by_hand.begin("other", "Other", print, then=lambda _: ended.set())
    HandWorker.made[-1].answers("done")
    assert ended.wait(PATIENCE_S)
    assert kept == []


@pytest.fixture
def context(tmp_path, day_folder):
    folder = day_folder(tmp_path, DEMO)
    live = Live()
    context = PageContext(
        desk=WorkFolder(folder),
        live=live,
        works=HeldWorks(live),
        steering=Steering(lambda _: None),
        journal=folder / "runs.db",
    )
    yield context
    if context.room is not None:
        context.room.close()


def test_photos_of_one_board_are_not_those_of_the_board_chosen_meanwhile(context):
    room = InspectRoom(context)
    room.choose("", "GH-001")
    room.inspect((context.desk.folder / "one.png",))
    found = context.works.then
    room.choose("", "GH-002")
    room.wipe("R2", wiped=True)
    found(b"{}")
    assert (context.live.last("inspect")["board"], context.live.last("inspect")["wiped"]) == (
        "GH-002",
        ["R2"],
    )
    room.take(context.desk.folder / "two.png")
    (work,) = context.works.given
    assert [photo.name for photo in work.photos] == ["two.png"]
    assert work.out.name == "inspection-GH-002"


def test_ticks_of_two_windows_at_once_both_stand(context):
    room = InspectRoom(context)
    parts = [f"R{n}" for n in range(40)]
    threads = [Thread(target=lambda part=part: room.wipe(part, wiped=True)) for part in parts]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert context.live.last("inspect")["wiped"] == sorted(parts)


def test_changes_of_a_run_from_several_threads_all_stand(context):
    from pastewright.page.room import room_of

    run = RunRoom(context, room_of(context))
    names = [f"part{n}" for n in range(40)]
    threads = [Thread(target=lambda name=name: run.tell(**{name: 1})) for name in names]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert set(names) <= context.live.last("run").keys()
