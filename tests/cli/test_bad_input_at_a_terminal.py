"""What goes wrong at the machine, met at a real terminal: said with its place and how to mend it, without a traceback."""

import os
import pty
from pathlib import Path

import pytest
from at_a_terminal import Machine, Person
from pytest import approx

from pastewright.profile.examples import example_text

TRAVEL_MM = 22.0


def complains(person: Person, code: int, *words: str) -> None:
    assert person.ends() == code, person.seen
    assert "Traceback" not in person.seen
    for some in words:
        assert some in person.seen, (some, person.seen)


def cnc_bench(folder: Path) -> Path:
    file = folder / "cnc.toml"
    file.write_text(f'{example_text("bench-ngc-rotary-a")}\n[run]\nhome = "$H"\n', "utf-8")
    return file


def test_another_machine_than_the_profiles_moves_nothing(tmp_path: Path, tiny: Path) -> None:
    with Machine("cnc", tmp_path) as there:
        with Person("machine", "home", "-p", tiny / "stop.toml", "--port", there.port) as person:
            complains(
                person, 2, "the controller speaks cnc", "the profile says reprap", "[controller] dialect"
            )
        assert [row for row in there.done() if row["text"].startswith(("G1", "G28", "$H"))] == []


def test_a_machine_that_cannot_home_says_so_before_it_asks(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(example_text("bench-reprap-e"), "utf-8")  # no [run] at all
    with (
        Machine("reprap", tmp_path) as there,
        Person("machine", "home", "-p", bench, "--port", there.port) as person,
    ):
        complains(person, 2, "bench.toml", "does not say how this machine is homed", "Give [run] home")
        assert "hands out of the gantry" not in person.seen
        assert "not lifted" not in person.seen  # nothing was moved


@pytest.mark.campaign
@pytest.mark.parametrize("words", [("machine", "state"), ("run",)])
def test_a_port_where_nobody_answers(tmp_path: Path, tiny: Path, words: tuple[str, ...]) -> None:
    ours, theirs = pty.openpty()
    try:
        more = (
            (tiny / "top" / "program.gcode", "--journal", tmp_path / "runs.db") if words == ("run",) else ()
        )
        with Person(*words, *more, "-p", tiny / "stop.toml", "--port", os.ttyname(theirs)) as person:
            complains(person, 2, os.ttyname(theirs), "nothing answers here", "switched on")
    finally:
        os.close(ours)
        os.close(theirs)


@pytest.mark.campaign
def test_a_plan_of_another_machine_is_refused_before_the_port_is_opened(tmp_path: Path, tiny: Path) -> None:
    words = ("run", tiny / "top" / "program.gcode", "-p", cnc_bench(tmp_path), "--port", "/dev/null")
    with Person(*words, "--journal", tmp_path / "runs.db") as person:
        complains(person, 2, "the program is reprap with the plunger on E", "the profile says ngc with A")


@pytest.mark.campaign
def test_keys_of_run_that_are_wrong_are_told_together_with_their_lines(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(
        f'{example_text("bench-reprap-e")}\n[run]\nhome = 3\nfind = "camera"\ncard_rows = 0\nnonsense = 1\n',
        "utf-8",
    )
    with Person("machine", "state", "-p", bench, "--port", "/dev/null") as person:
        complains(
            person,
            2,
            "run.home must be text",
            "run.find is 'camera'",
            "run.card_rows is 0",
            "no key nonsense",
        )


@pytest.mark.campaign
@pytest.mark.parametrize("protocol", ["reprap", "cnc"])
def test_a_switch_met_in_a_run_ends_it_and_says_what_the_tip_may_do(
    tmp_path: Path, tiny: Path, protocol: str
) -> None:
    import pastewright as pw

    folder, bench, ends = tiny / "top", tiny / "stop.toml", "X=0,70"
    if protocol == "cnc":
        bench, folder, ends = cnc_bench(tmp_path), tmp_path / "top", "X=0,65"
        pw.write_plan(pw.make_plan(pw.read_board(tiny / "board", side="top"), pw.read_profile(bench)), folder)
    (program,) = folder.glob("program.*")
    words = ("run", program, "-p", bench, "--journal", tmp_path / "runs.db")
    with Machine(protocol, tmp_path, "--travel", ends, "--scale", "0.01") as there:
        with Person(*words, "--port", there.port) as person:
            person.agrees()
            complains(person, 1, "lost", "raise Z by hand", "A switch that is met within the limits")
        assert there.where_mm()[0] == approx(float(ends.split(",")[1]), abs=0.01)


@pytest.mark.campaign
def test_a_barrel_that_runs_out_is_asked_about_and_a_batch_waits_for_the_refill(
    tmp_path: Path, tiny: Path
) -> None:
    journal = ("--journal", tmp_path / "runs.db")
    with Person("barrel", "new", "A7", "--fill-ul", "3", *journal) as person:
        assert person.ends() == 0
    with Machine("reprap", tmp_path, "--scale", "0.01") as there:
        common = ("-p", tiny / "stop.toml", "--port", there.port, *journal, "--barrel", "A7")
        with Person("run", tiny / "top" / "program.gcode", *common) as person:
            person.sees("is there more in it than the account says?")
            person.types("n")
            complains(person, 130, "holds 3 µL and this run needs")
        with Person("batch", tiny / "top", "--boards", "1", "--no-witness", *common) as person:
            for _ in range(4):
                person.sees("(y/n)")
                person.types("y", enter=False)
            person.sees("tells the other keys")
            person.types("")
            person.sees("refill it (f)")
            person.sees("tells the other keys")
            person.types("f", enter=False)
            person.sees("How much was put in")
            person.types("200")
            person.sees("tells the other keys")
            person.types("")
            person.sees("All boards of the batch are done")
            person.types("")
            complains(person, 0, "ended: 1 laid")


@pytest.mark.campaign
@pytest.mark.parametrize("way", ["paper", "probe"])
def test_a_port_that_vanishes_in_a_touch_off_ends_the_session(tmp_path: Path, tiny: Path, way: str) -> None:
    ends = ("--scale", "0.3", "--ground", "19.62", "--start", "30,40,50")
    before = (tiny / "stop.toml").read_text("utf-8")
    with (
        Machine("reprap", tmp_path, *ends) as there,
        Person("machine", "stay", "-p", tiny / "stop.toml", "--port", there.port) as person,
    ):
        person.answers(("machine> ", "home"), ("(y/n)", "y"), ("homed", "to 100,80"), ("100,80: X", ""))
        person.sees("machine> ")
        person.types(f"touch-off {way}")
        if way == "paper":
            person.sees("step 0.1 mm")
            there.process.kill()
            there.process.wait()
            person.types("d", enter=False)
        else:
            person.sees("(y/n)")
            there.process.kill()
            there.process.wait()
            person.types("y")
        complains(person, 1, "the connection broke", "The tip was not lifted", "last reported at X 100.00")
    assert (tiny / "stop.toml").read_text("utf-8") == before  # nothing was measured
