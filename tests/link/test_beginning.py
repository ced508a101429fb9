"""The way to where a program begins, on a bench that homes by itself: round what nothing passes over."""

from itertools import pairwise

import pytest
from server import Server
from shapely.geometry import LineString, box
from tiny_board import write_tiny_board

import pastewright as pw
from pastewright.cli.app import app
from pastewright.job.read import parse_job
from pastewright.link import detect
from pastewright.profile.examples import example_text
from pastewright.records.probing import probing_of_text
from pastewright.virtual import Ground, Manners, VirtualController

WALL = box(20.0, 5.0, 50.0, 38.0)
"""What stands between the corner where it homes and the board [mm, machine]; the board's corner lies at (60, 60)."""


@pytest.fixture(autouse=True)
def _hasty(monkeypatch):
    """Pretend controllers neither boot nor dawdle."""
    for name, seconds in {"GREETING_S": 0.1, "QUIET_S": 0.05, "STATUS_S": 0.1, "ANSWER_S": 0.3}.items():
        monkeypatch.setattr(detect, name, seconds)


@pytest.fixture
def shop(tmp_path):
    bench = tmp_path / "bench.toml"
    bench.write_text(f'{example_text("bench-reprap-e")}\n[run]\nhome = "G28"\n', "utf-8")
    write_tiny_board(tmp_path / "board")
    (tmp_path / "job.toml").write_text(
        "[[zone]]\nname = 'clamp'\nx_from_mm = -40\nx_to_mm = -10\ny_from_mm = -55\ny_to_mm = -22\n", "utf-8"
    )
    manners = Manners(
        travel=dict.fromkeys("XYZ", (0.0, 220.0)),
        ground=Ground(z_mm=20.0),
        start_mm=(150.0, 150.0, 60.0),
        chatter_lines=0,
    )
    controller = VirtualController("reprap", scale=0.002, manners=manners)
    with Server(controller, pty=True) as server:
        yield tmp_path, controller, server


def homed_and_then(controller):
    """The ways of the tip after it was homed, each as a line [mm, machine]."""
    rows = controller.executed
    homes = [at for at, row in enumerate(rows) if row.text.startswith("G28")]
    assert len(homes) == 1  # and not once more when the way round is gone
    places = [row.axes_mm[:2] for row in rows[homes[0] :]]
    assert places[0] == (0.0, 0.0)
    return [LineString([a, b]) for a, b in pairwise(places) if a != b]


def run(folder, server, program):
    words = [
        "run",
        program,
        "-p",
        folder / "bench.toml",
        "--journal",
        folder / "runs.db",
        "--port",
        server.url,
    ]
    return app([*map(str, words), "--assume", "board,side,clear,air,contact"], standalone_mode=False)


def test_a_board_s_program_is_come_to_round_what_stands_between(shop):
    folder, controller, server = shop
    bench = pw.read_profile(folder / "bench.toml")
    job = parse_job((folder / "job.toml").read_text("utf-8"), "job.toml")
    made = pw.make_plan(pw.read_board(folder / "board", side="top"), bench, job=job)
    pw.write_plan(made, folder / "top")
    strip = made.record.placement.strips[0].from_mm
    assert LineString([(0.0, 0.0), strip]).intersects(WALL)
    assert run(folder, server, folder / "top") == 0
    ways = homed_and_then(controller)
    assert len(ways) > 5
    assert not [way.wkt for way in ways if way.intersects(WALL)]


def test_a_probing_program_is_come_to_round_what_stands_between(shop):
    folder, controller, server = shop
    words = ["probe", folder / "board", "-p", folder / "bench.toml", "--grid", "2x2", "-o", folder / "high"]
    words += ["--job", folder / "job.toml"]
    assert app([*map(str, words)], standalone_mode=False) == 0
    assert run(folder, server, folder / "high.gcode") == 0
    ways = homed_and_then(controller)
    first = probing_of_text((folder / "high.json").read_text("utf-8")).places[0].at_mm
    assert LineString([(0.0, 0.0), first]).intersects(WALL)
    assert len(ways) > 4
    assert not [way.wkt for way in ways if way.intersects(WALL)]
