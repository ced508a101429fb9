"""A host killed in the midst of the settling strip, by a real process at a real port, and started again at once.

Opening the port starts the controller anew. By default the machine is left to end what it was sent; where the port is
opened all the same, the rest of the strip is in doubt.
"""

import json
import time

import pytest
from at_a_terminal import Machine, Person
from programs import written
from pytest import approx
from test_endings import HASTE
from test_running import ASSUMED, BENCHES, HEIGHTS

from pastewright.link.barrels import barrels
from pastewright.link.bench import ul_per_unit
from pastewright.link.journal import Journal
from pastewright.link.phases import Phase
from pastewright.profile.examples import example_text
from pastewright.profile.read import read_profile
from pastewright.work.running.barrels import TOLD_UL

UNWAITED = """
from pastewright.work.running import laying, resuming
laying.let_end = resuming.let_end = lambda *_, **__: None
"""
ROUNDED = 0.001
"""Of what was swept: plunger words have four decimals."""


@pytest.fixture
def there(tmp_path, request):
    """A machine in real scale behind a port that starts it anew when it is opened, and the words of a run on it."""
    protocol = request.param
    text, plan = written(protocol, 2, beads=False)
    (tmp_path / "program.gcode").write_text(text, "utf-8")
    (tmp_path / "plan.json").write_text(json.dumps(plan), "utf-8")
    toml = example_text(BENCHES[protocol])
    for old, new in HEIGHTS[protocol]:
        toml = toml.replace(old, new)
    (tmp_path / "bench.toml").write_text(toml, "utf-8")
    with Machine(protocol, tmp_path) as machine:
        yield machine, tmp_path


def _killed_in_strip(machine, folder):
    """Begin a run and kill its host once the whole strip is out and the machine is at it; returns the common words."""
    common = ["-p", folder / "bench.toml", "--journal", folder / "journal.db", "--assume", ASSUMED]
    with Person("barrel", "new", "A7", "--fill-ul", 500, "--journal", folder / "journal.db") as person:
        assert person.ends() == 0
    words = ["run", folder / "program.gcode", "--plan", folder / "plan.json", "--even-if-unverified"]
    begun = [*words, *common, "--port", machine.port, "--barrel", "A7"]
    with Person(*begun, before=HASTE) as person:
        end_s = time.monotonic() + 60
        while True:
            assert time.monotonic() < end_s and person.process.poll() is None, person.seen
            journal = Journal(folder / "journal.db")
            out = journal.rows(
                "SELECT 1 FROM runs WHERE phase = ? AND strips = 1 AND unsent = 0 AND at_risk > 0",
                (Phase.PREPARING,),
            )
            journal.close()
            if out and machine.done() and machine.done()[-1]["axes_mm"][2] < 11:
                person.process.kill()
                person.process.wait()
                return common
            time.sleep(0.02)


def _account(folder):
    journal = Journal(folder / "journal.db")
    (barrel,) = barrels(journal)
    journal.close()
    return barrel.used_ul, barrel.doubt_ul


def _truly_ul(machine, folder):
    return machine.done()[-1]["plunger"] * ul_per_unit(read_profile(folder / "bench.toml"))


@pytest.mark.parametrize("there", ["reprap", "cnc"], indirect=True)
def test_a_port_opened_in_the_midst_of_the_strip_leaves_its_rest_in_doubt(there):
    machine, folder = there
    common = _killed_in_strip(machine, folder)
    with Person("resume", *common, before=HASTE + UNWAITED) as person:
        assert person.ends() == 0, person.seen
    used_ul, doubt_ul = _account(folder)
    assert doubt_ul > 0
    assert abs(used_ul - _truly_ul(machine, folder)) <= doubt_ul + ROUNDED * used_ul
    with Person("barrel", "list", "--journal", folder / "journal.db") as person:
        assert person.ends() == 0
        assert ("±" in person.seen) == (doubt_ul >= TOLD_UL)


@pytest.mark.parametrize("there", ["reprap", pytest.param("cnc", marks=pytest.mark.campaign)], indirect=True)
def test_the_machine_is_left_to_end_its_strip_before_the_port_is_opened_again(there):
    machine, folder = there
    common = _killed_in_strip(machine, folder)
    with Person("resume", *common, before=HASTE) as person:
        person.sees("waiting for")
        assert person.ends() == 0, person.seen
    used_ul, doubt_ul = _account(folder)
    assert doubt_ul == 0
    assert used_ul == approx(_truly_ul(machine, folder), rel=ROUNDED)
