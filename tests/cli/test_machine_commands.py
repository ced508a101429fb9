"""`pastewright machine …`, `register --port` and `probe --port`, with the answers as lines of standard input."""

import io
import json
import re
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import cv2
import numpy as np
import pytest
from demo_plans import plan_of
from msgspec import structs
from shapely.geometry import LineString, box

from pastewright.board.model import Side
from pastewright.link.barrels import barrel_named
from pastewright.link.drawn_back import is_drawn_back
from pastewright.link.journal import Journal
from pastewright.link.owner import Owner
from pastewright.link.port import SerialPort
from pastewright.problems import one_error
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile
from pastewright.records.placement import Zone
from pastewright.records.plan import plan_text

SIM = "sim:reprap?scale=0.001"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    file = tmp_path / "bench.toml"
    file.write_text(example_text("bench-reprap-e") + '\n[run]\nhome = "G28"\n', encoding="utf-8")
    return file


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    def say(*words: str) -> None:
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{word}\n" for word in words)))

    say()
    return say


def test_state_says_where_it_stands_and_that_this_is_known(run, bench, lines) -> None:
    answer = run("machine", "state", "-p", bench, "--port", SIM)
    assert answer.code == 0
    assert "X 0.00, Y 0.00, Z 0.00" in answer.out
    assert "Z 20 to 200" in answer.out


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["state"], "no port was given"),
        (["state", "--port", "/dev/nonesuch"], "there is no such port"),
        (["jog", "x1", "y-2mm", "--port", SIM], "'x1' is no step"),
        (["jog", "x+10", "x-10", "x-0.1", "--port", SIM], "X ends at 0 mm"),
        (["to", "F1", "--port", SIM], "there is no place 'F1'"),
        (["to", "500,3", "--port", SIM], "X 500.00 mm is out of reach"),
        (["to", "park", "--above", "900", "--port", SIM], ""),
        (["touch-off", "--by", "feel", "--port", SIM], "Say paper or probe"),
        (["measure", "weather", "--port", SIM], "There are: plunger"),
        (["measure", "plunger", "--port", SIM], "nobody answers"),
        (["state", "--port", "sim:cnc"], "the controller speaks cnc"),
    ],
)
def test_bad_input_is_told_and_moves_nothing(run, bench, lines, words, complaint) -> None:
    answer = run("machine", *words, "-p", bench)
    assert answer.code == (0 if not complaint else 2)
    assert complaint in answer.err
    assert answer.err == "" or complaint


def test_nobody_there(run, bench, lines, monkeypatch) -> None:
    class Silent:
        in_waiting = 0

        def read(self, size: int = 1) -> bytes:
            return b""

        def write(self, data: bytes) -> int:
            return len(data)

        def flush(self) -> None: ...
        def close(self) -> None: ...

    clock = iter(range(10_000))
    monkeypatch.setattr("pastewright.link.owner.open_port", lambda name, baud: SerialPort(name, Silent()))
    monkeypatch.setattr("pastewright.link.owner.monotonic", lambda: float(next(clock)))
    answer = run("machine", "state", "-p", bench, "--port", SIM)
    assert answer.code == 2
    assert "nothing answers here" in answer.err


def test_typed_steps_move_and_say_where(run, bench, lines) -> None:
    answer = run("machine", "jog", "z+10", "z+10", "z+2", "x+10", "y+0.05", "-p", bench, "--port", SIM)
    assert answer.code == 0
    assert "X 10.00  Y 0.05  Z 22.00" in answer.out


def test_a_place_is_reached_from_a_plan(run, bench, lines, tmp_path) -> None:
    plan = tmp_path / "plan.json"
    plan.write_text(plan_text(plan_of(Side.TOP).record), encoding="utf-8")
    answer = run("machine", "to", "F1", "--plan", plan, "--above", "1.5", "-p", bench, "--port", SIM)
    assert answer.code == 0
    assert "F1: X 69.00  Y 96.60  Z 21.50" in answer.out
    assert "stays at" in answer.out  # below travel height, and told so


STANDING = structs.replace(
    plan_of(Side.TOP).record,
    placement=structs.replace(
        plan_of(Side.TOP).record.placement,
        zones=(
            Zone(
                name="tall", x_from_mm=20, x_to_mm=30, y_from_mm=5, y_to_mm=38, height_mm=None, margin_mm=0.5
            ),
            Zone(
                name="coil", x_from_mm=36, x_to_mm=40, y_from_mm=5, y_to_mm=10, height_mm=4.0, margin_mm=0.5
            ),
        ),
    ),
)
"""The demo board with a wall without a top right across, but for 5 mm below it and 2 above, and a coil."""


@pytest.fixture
def sent(monkeypatch) -> list[str]:
    """The lines of moves that reach the controller."""
    sent: list[str] = []
    push = Owner.do

    def heard(self, moves, **more):
        sent.extend(moves)
        return push(self, moves, **more)

    monkeypatch.setattr(Owner, "do", heard)
    return sent


def test_the_way_to_a_place_leads_round_what_has_no_top(run, bench, lines, tmp_path, sent) -> None:
    plan = tmp_path / "plan.json"
    plan.write_text(plan_text(STANDING), encoding="utf-8")
    lines("to 65,80", "to 105,80", "to F1", "quit")
    answer = run("machine", "stay", "--plan", plan, "-p", bench, "--port", SIM)
    assert answer.code == 0, answer
    ways = [(float(m[1]), float(m[2])) for line in sent if (m := re.search(r"X([-\d.]+) Y([-\d.]+)", line))]
    assert ways.index((65.0, 80.0)) < ways.index((105.0, 80.0)) - 1
    path = LineString([(0.0, 0.0), *ways])
    # The demo board lies at 60, 60: the wall is from 80 to 90 and 65 to 98.
    assert path.distance(box(80, 65, 90, 98)) > 0.45
    assert "105,80: X 105.00  Y 80.00" in answer.out


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["to", "85,80"], "within the zone 'tall'"),
        (["to", "98,67", "--above", "1"], "within the zone 'coil'"),
        (["purge", "--at", "85,80"], "within the zone 'tall'"),
        (["touch-off", "--at", "85,80"], "within the zone 'tall'"),
    ],
)
def test_no_hand_goes_into_what_stands_there(run, bench, lines, tmp_path, sent, words, complaint) -> None:
    plan = tmp_path / "plan.json"
    plan.write_text(plan_text(STANDING), encoding="utf-8")
    answer = run("machine", *words, "--plan", plan, "-p", bench, "--port", SIM)
    assert answer.code != 0
    assert complaint in " ".join((answer.out + answer.err).split())
    assert sent == []


def test_touching_off_by_paper_writes_the_height_and_nothing_else(run, bench, lines) -> None:
    before = bench.read_text(encoding="utf-8")
    lines("z+10 z+10 z+2", "z-1", "z-0.5 z-0.13", "ok", "0.1")
    answer = run("machine", "touch-off", "-p", bench, "--port", SIM)
    assert answer.code == 0, answer
    after = bench.read_text(encoding="utf-8")
    assert parse_profile(after, "").bed.board_z_mm == pytest.approx(20.27)
    assert [old for old, new in zip(before.splitlines(), after.splitlines(), strict=True) if old != new] == [
        "board_z_mm = 20.0"
    ]


def test_touching_off_by_probe_finds_the_ground(run, bench, lines) -> None:
    lines("contact")
    answer = run(
        "machine", "touch-off", "--by", "probe", "--at", "100,80", "-p", bench, "--port", SIM + "&ground=19.4"
    )
    assert answer.code == 0, answer
    assert parse_profile(bench.read_text(encoding="utf-8"), "").bed.board_z_mm == pytest.approx(19.4)


def test_safety_is_not_answered_by_a_pipe_full_of_yes(run, bench, lines) -> None:
    lines(*["y"] * 20)
    answer = run("machine", "purge", "-p", bench, "--port", SIM)
    assert answer.code == 1
    assert "nothing was pressed out" in answer.out
    lines("card")
    answer = run("machine", "purge", "--ul", "8", "-p", bench, "--port", SIM)
    assert answer.code == 0
    assert "purged: 8 µL" in answer.out


def test_a_measured_gain_is_told_where_an_older_trial_overrides_it(run, bench, lines) -> None:
    lines("hands", "10.00", "19.60")
    assert run("machine", "measure", "plunger", "-p", bench, "--port", SIM).code == 0
    assert parse_profile(bench.read_text(encoding="utf-8"), "").tuning.gain == pytest.approx(0.96)
    with bench.open("a", encoding="utf-8") as file:
        file.write('\n[[tuning.history]]\ndated = "2026-05-01"\ngain_percent = 91\ngain_sd_percent = 1\n')
    lines("hands", "10.00", "19.70")
    answer = run("machine", "measure", "plunger", "-p", bench, "--port", SIM)
    assert "entry of tuning.history holds instead, with 91" in " ".join(answer.out.split())


def test_staying_takes_line_after_line_and_lives_through_mistakes(run, bench, lines) -> None:
    lines("state", "up", "to 100,50 0.5", "x+10", "to nowhere", "x+0.5", "to 900,1", "relieve", "quit")
    answer = run("machine", "stay", "-p", bench, "--port", SIM)
    assert answer.code == 0, answer
    # What is refused before anything moves moves nothing: the tip is where it was for the next step.
    assert "X 100.50  Y 50.00  Z 20.50" in answer.out
    assert "below travel height" not in answer.out  # it was lifted when that was left
    assert "'up' is not known" in answer.err
    assert "Lift it to Z 22 mm first" in answer.err
    assert "X 900.00 mm is out of reach" in answer.err
    assert "relieved" in answer.out


def test_fiducials_are_gone_to_and_registered_without_typing_places(
    run, bench, lines, logger_files, tmp_path
) -> None:
    # The person corrects the first mark by 0.3, -0.2; the machine knows the shift from then on.
    lines("x+0.3 y-0.2", "ok", "ok", "x+0.01", "ok", "contact")
    out = tmp_path / "placement.json"
    answer = run(
        "register", logger_files, "-p", bench, "--port", SIM + "&ground=20.06", "--grid", "3x2", "-o", out
    )
    assert answer.code == 0, answer
    board = json.loads(out.read_text(encoding="utf-8"))["boards"][0]
    assert board["shift_mm"] == pytest.approx([60.3, 59.8], abs=0.02)
    assert board["surface"]["z_mm"] == pytest.approx(20.06, abs=0.006)
    assert [point["name"] for point in board["steps"][0]["points"]] == ["F1", "F2", "F3"]


def test_a_mark_beside_what_nothing_passes_over_is_not_gone_to_on_trust(
    run, bench, lines, logger_files, tmp_path
) -> None:
    answer = run(
        *("register", logger_files, "-p", bench, "--port", SIM, "-o", tmp_path / "placement.json"),
        *("--keep-out", "12,30,20,39"),
    )
    assert answer.code == 2, answer
    assert "within 5 mm of the zone 'part at 12, 30'" in " ".join(answer.err.split())
    assert "--find" in answer.err


def test_probing_runs_and_its_answers_become_the_surface(
    run, bench, lines, logger_files, tmp_path, monkeypatch
) -> None:
    monkeypatch.chdir(tmp_path)
    lines("contact")
    answer = run("probe", logger_files, "-p", bench, "--port", SIM + "&ground=19.95", "--grid", "2x2")
    assert answer.code == 0, answer
    heights = (tmp_path / "probe.csv").read_text(encoding="utf-8").splitlines()
    assert len(heights) == 4
    assert all(line.endswith("19.9500") for line in heights)
    placement = json.loads((tmp_path / "placement.json").read_text(encoding="utf-8"))
    assert placement["boards"][0]["surface"]["z_mm"] == pytest.approx(19.95)
    # The file of points says the same to `register` as the machine did.
    assert run("register", logger_files, "-p", bench, "--points", "probe.csv", "-o", "again.json").code == 0
    again = json.loads((tmp_path / "again.json").read_text(encoding="utf-8"))
    assert again["boards"][0]["surface"] == placement["boards"][0]["surface"]


def test_a_contact_that_never_answers_ends_probing_with_the_tip_up(
    run, bench, lines, logger_files, tmp_path
) -> None:
    lines("contact")
    answer = run("probe", logger_files, "-p", bench, "--port", SIM, "-o", tmp_path / "probe")
    assert answer.code == 1
    assert "was not touched down to Z 19 mm" in answer.out
    assert "the tip was lifted" in answer.out
    assert not (tmp_path / "probe.csv").exists()


def test_an_error_of_the_machine_is_told_with_the_last_place(run, bench, lines, monkeypatch) -> None:
    from pastewright.link.hand import Hand

    def cold(*_: object, **__: object) -> None:
        raise one_error("the controller keeps a cold extruder still")

    monkeypatch.setattr(Hand, "go", cold)
    answer = run("machine", "relieve", "-p", bench, "--port", SIM)
    assert answer.code == 2
    assert "cold extruder" in answer.err


def test_paste_moved_by_hand_is_in_the_account_of_its_barrel(run, bench, lines, tmp_path) -> None:
    book = ("--journal", tmp_path / "journal.db")
    port = ("-p", bench, "--port", SIM, "--barrel", "A7", *book)
    lines("card")
    answer = run("machine", "purge", *port)
    assert answer.code == 2
    assert "there is no barrel 'A7'" in answer.err
    assert run("barrel", "new", "A7", "--fill-ul", "30", *book).code == 0
    relief_ul = parse_profile(bench.read_text(encoding="utf-8"), "").run.relieve_ul
    lines("card")
    assert run("machine", "purge", "--ul", "12", *port).code == 0
    assert run("machine", "relieve", *port).code == 0
    assert run("machine", "jog", "p+0.1", *port).code == 0
    with closing(Journal(tmp_path / "journal.db")) as journal:
        used_ul = barrel_named(journal, "A7").used_ul
    area_mm2 = parse_profile(bench.read_text(encoding="utf-8"), "").barrel.area_mm2
    assert used_ul == pytest.approx(12 - 2 * relief_ul + 0.1 * area_mm2, rel=1e-6)
    # What is left is not enough for as much again: somebody has to look, and a yes from a pipe does not do.
    lines("yes")
    answer = run("machine", "purge", "--ul", "25", *port)
    assert answer.code == 1
    assert "barrel A7 has run out" in answer.out


@pytest.mark.parametrize(
    ("words", "answers", "swept_ul"),
    [
        (["load"], ("0", "barrel", "ok", "no", "stop"), 5.0),
        (["jog", "p+0.1", "x-900"], (), 0.0),
        (["unload"], ("5", "no"), 0.0),
    ],
    ids=["fed, then given up", "refused before it moved", "not taken out"],
)
def test_what_is_drawn_back_where_work_ends_early_is_in_the_account(
    run, bench, lines, tmp_path, words, answers, swept_ul
) -> None:
    book = ("--journal", tmp_path / "journal.db")
    assert run("barrel", "new", "A7", "--fill-ul", "300", *book).code == 0
    lines(*answers)
    answer = run("machine", *words, "-p", bench, "--port", SIM, "--barrel", "A7", *book)
    assert answer.code in (1, 2)
    relief_ul = parse_profile(bench.read_text(encoding="utf-8"), "").run.relieve_ul
    moved = words[0] != "jog"
    with closing(Journal(tmp_path / "journal.db")) as journal:
        row = barrel_named(journal, "A7")
        back = is_drawn_back(journal, barrel=row.id, board=0)
    assert row.used_ul == pytest.approx(swept_ul - moved * relief_ul, abs=1e-6)
    # So the next run gives it back above its strip.
    assert back is moved


def test_the_camera_is_measured_from_two_pictures(run, bench, lines, tmp_path) -> None:
    pictures = []
    for number, centre in enumerate([(400, 200), (300, 300)]):
        frame = np.full((480, 640), 60, dtype=np.uint8)
        cv2.circle(frame, centre, 20, 220, -1, cv2.LINE_AA)
        pictures += ["--photo", tmp_path / f"{number}.png"]
        assert cv2.imwrite(str(tmp_path / f"{number}.png"), frame)
    lines("z+10 z+10 z+2", "ok")
    answer = run("machine", "measure", "camera", "-p", bench, "--port", SIM, *pictures)
    assert answer.code == 0, answer
    camera = parse_profile(bench.read_text(encoding="utf-8"), "").camera
    # 2 mm along both axes moved the mark by 100 pixels along both.
    assert camera.mm_per_px == pytest.approx(0.02, rel=1e-3)
    assert camera.turn_deg == pytest.approx(0.0, abs=0.05)
    lines("ok")
    answer = run("machine", "measure", "camera", "-p", bench, "--port", SIM)
    assert answer.code == 2
    assert "nothing to look with" in answer.err
