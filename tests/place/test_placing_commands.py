"""The commands about placement as a user meets them: exit codes, words, and files that fit together."""

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.cli.app import main
from pastewright.demo.board import write_demo
from pastewright.place.transform import affine
from pastewright.profile.examples import DEMO, example_text

# The demo board's fiducials, as `pastewright register` lists them.
MARKS = {"F1": (9.0, 36.6), "F2": (41.0, 36.6), "F3": (9.0, 3.4)}


@pytest.fixture
def run(monkeypatch, capsys):
    def answer(*words):
        monkeypatch.setattr(sys, "argv", ["pastewright", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err + captured.out
        return left.value.code, captured.out, captured.err

    return answer


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("placing")
    write_demo(folder / "board", "x2")
    (folder / "bench.toml").write_text(example_text(DEMO), encoding="utf-8")
    seeing = example_text(DEMO) + "\n[camera]\noffset_x_mm = 30\noffset_y_mm = -4\nmm_per_px = 0.02\n"
    (folder / "seeing.toml").write_text(seeing, encoding="utf-8")
    return folder


def found(where, names=("F1", "F2", "F3"), dx=0.0, dy=0.0):
    words = []
    for name in names:
        x, y = where.point(MARKS[name])
        words += ["--at", f"{name}={x + dx:.4f},{y + dy:.4f}"]
    return words


def test_register_then_plan_then_verify(run, files, tmp_path):
    where = affine(turn_deg=-1.2, shift_mm=(72.0, 68.0))
    heights = [
        f"{x:.3f},{y:.3f},{20.1 + 0.002 * (x - 70) + 0.001 * (y - 60):.4f}"
        for x, y in (where.point(p) for p in ((2, 2), (48, 2), (48, 38), (2, 38)))
    ]
    probes = [word for height in heights for word in ("--probe", height)]
    placement = tmp_path / "placement.json"
    base = (files / "board", "-p", files / "bench.toml")
    code, out, _ = run("register", *base, *found(where), *probes, "-o", placement)
    assert code == 0
    assert "similarity from 3 points: turned -1.200°" in out and "expected error at the worst pad" in out
    assert "tilt 0.128°" in out
    data = json.loads(placement.read_text("utf-8"))
    assert data["report"]["registration"]["off_mm"]["F1"] == pytest.approx(0, abs=1e-3)
    code, out, _ = run("plan", *base, "--placement", placement, "-o", tmp_path / "out")
    assert code == 0 and "verified" in out
    code, out, _ = run(
        "verify", tmp_path / "out" / "program.gcode", "--plan", tmp_path / "out" / "plan.json", *base[1:]
    )
    assert code == 0
    assert "Where it lies" in (tmp_path / "out" / "report.html").read_text("utf-8")
    code, _, err = run("plan", *base, "--side", "bottom", "--placement", placement, "-o", tmp_path / "x")
    assert code == 2 and "measured for the top side" in err


def test_points_seen_by_the_camera_are_moved_to_the_tip(run, files, tmp_path):
    where = affine(turn_deg=0.5, shift_mm=(72.0, 68.0))
    seen = found(where, dx=-30.0, dy=4.0)
    placement = tmp_path / "p.json"
    base = ("register", files / "board", "-o", placement)
    code, _, _ = run(*base, "-p", files / "seeing.toml", *seen, "--by", "camera")
    assert code == 0
    assert json.loads(placement.read_text("utf-8"))["boards"][0]["shift_mm"] == pytest.approx(
        [72, 68], abs=1e-3
    )
    code, _, err = run(*base, "-p", files / "bench.toml", *seen, "--by", "camera")
    assert code == 2 and "camera-offset" in err


def test_points_and_probes_come_from_files(run, files, tmp_path):
    where = affine(shift_mm=(72.0, 68.0))
    table = "\n".join(
        f"{name}, {where.point(place)[0]}, {where.point(place)[1]}" for name, place in MARKS.items()
    )
    (tmp_path / "found.csv").write_text(table + "\n80, 80, 20.2\n110, 80, 20.23\n100, 100, 20.17\n", "utf-8")
    base = ("register", files / "board", "-p", files / "bench.toml", "-o", tmp_path / "p.json")
    code, out, _ = run(*base, "--points", tmp_path / "found.csv")
    assert code == 0 and "plane through 3 points" in out
    assert json.loads((tmp_path / "p.json").read_text("utf-8"))["boards"][0]["surface"][
        "z_mm"
    ] == pytest.approx(20.2)


WHERE = affine(shift_mm=(72.0, 68.0))
INCH = affine(scale_x=1 / 25.4, scale_y=1 / 25.4, shift_mm=(3.0, 3.0))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "F1 at (9.000, 36.600)"),
        (["--at", "F1"], "not WHAT=X,Y"),
        (["--at", "F9=1,2", "--at", "F1=3,4"], "F9 is no fiducial"),
        (found(WHERE, ("F1",)), "two or more"),
        (found(INCH), "inches"),
        ([*found(WHERE, ("F1", "F2")), "--at", "F3=nan,1"], "no number"),
        (found(affine(turn_deg=180, shift_mm=(120, 108)), ("F1", "F2")), "--turned 180"),
        ([*found(WHERE), "--fit", "magic"], "--fit 'magic'"),
        ([*found(WHERE), "--turned", "left"], "--turned 'left'"),
        ([*found(WHERE), "--by", "eye"], "--by 'eye'"),
        ([*found(WHERE), "--points", "missing.csv"], "cannot be read"),
        ([*found(WHERE), "--probe", "1,2"], "X,Y,Z"),
        ([*found(WHERE), "--probe", "80,80,20", "--probe", "110,80,28", "--probe", "90,100,20"], "slopes by"),
        (["--limit", "x"], "--limit"),
    ],
)
def test_register_refuses_with_the_reason(run, files, tmp_path, words, says):
    code, out, err = run(
        "register", files / "board", "-p", files / "bench.toml", *words, "-o", tmp_path / "p.json"
    )
    assert code == 2, out
    assert says in err
    assert not (tmp_path / "p.json").exists()


def test_swapped_points_are_named(run, files, tmp_path):
    swapped = found(WHERE)
    swapped[1], swapped[3] = swapped[1].replace("F1", "F2"), swapped[3].replace("F2", "F1")
    code, _, err = run(
        "register", files / "board", "-p", files / "bench.toml", *swapped, "-o", tmp_path / "p.json"
    )
    # Three corners of a rectangle with two of them swapped are its mirror image: nobody can tell the one from the other.
    assert code == 2 and ("swapped" in err or "mirror image" in err)


def test_probe_writes_a_program(run, files, tmp_path):
    base = ("probe", files / "board", "-p", files / "bench.toml")
    code, out, _ = run(*base, "--grid", "4x3", "--keep-out", "20,15,30,25", "-o", tmp_path / "probe")
    assert code == 0 and "12 places" in out
    text = (tmp_path / "probe.gcode").read_text("utf-8")
    assert text.count("G38.2") == 12
    for words, says in [
        (["--grid", "4"], "--grid"),
        (["--grid", "0x3"], "0 × 3"),
        (["--keep-out", "1,2"], "--keep-out"),
        (["--placement", tmp_path / "none.json"], "cannot be read"),
    ]:
        code, _, err = run(*base, *words, "-o", tmp_path / "probe")
        assert code == 2 and says in err


def test_locate_prints_where_a_mark_is(run, files, tmp_path):
    frame = np.full((120, 160), 60, np.uint8)
    cv2.circle(frame, (100, 40), 20, 200, -1, cv2.LINE_AA)
    cv2.imwrite(str(tmp_path / "mark.png"), frame)
    code, out, _ = run("locate", tmp_path / "mark.png", "-p", files / "seeing.toml", "--head", "100,50")
    assert code == 0
    row = out.splitlines()[1].split()
    assert row[0] == "round"
    # (100 − 79.5)·0.02 right of the middle, (59.5 − 40)·0.02 above; the camera is 30 right and 4 below the tip.
    assert float(row[-2]) == pytest.approx(100 + 30 + 0.41, abs=0.005)
    assert float(row[-1]) == pytest.approx(50 - 4 + 0.39, abs=0.005)
    cv2.imwrite(str(tmp_path / "plain.png"), np.full((120, 160), 60, np.uint8))
    code, out, _ = run("locate", tmp_path / "plain.png", "--scale", "0.02")
    assert code == 1 and "no mark" in out
    code, out, _ = run("locate", "--camera", tmp_path / "mark.png", "--scale", "0.02")
    assert code == 0 and "round" in out
    for words, says in [
        ([], "either a photo"),
        ([tmp_path / "mark.png"], "size of a pixel"),
        ([tmp_path / "mark.png", "--scale", "5"], "not possible"),
        ([tmp_path / "mark.png", "--scale", "0.02", "--kind", "star"], "--kind 'star'"),
        ([tmp_path / "mark.png", "--scale", "0.02", "--head", "1"], "--head"),
        ([files / "bench.toml", "--scale", "0.02"], "no picture"),
        (["--camera", tmp_path / "none.avi", "--scale", "0.02"], "gives no picture"),
    ]:
        code, _, err = run("locate", *words)
        assert code == 2 and says in err, words


def test_camera_offset_prints_lines_for_the_profile(run):
    code, out, _ = run(
        "camera-offset", "--touch", "10,10", "--look", "40,12", "--touch", "50,60", "--look", "80.04,62.02"
    )
    assert code == 0
    assert "[camera]\noffset_x_mm = -30.0200\noffset_y_mm = -2.0100" in out
    assert run("camera-offset")[0] == 2
    assert run("camera-offset", "--touch", "1,2")[0] == 2
    assert run("camera-offset", "--touch", "a,b", "--look", "1,2")[0] == 2


def test_a_tray_is_planned_from_its_file(run, files, tmp_path):
    tray = tmp_path / "tray.toml"
    tray.write_text("[tray]\nx_mm = 10\ny_mm = 65\n[grid]\ncolumns = 2\nrows = 1\npitch_x_mm = 55\n", "utf-8")
    base = ("plan", files / "board", "-p", files / "bench.toml", "-o", tmp_path / "out")
    code, out, _ = run(*base, "--tray", tray)
    assert code == 0 and "verified" in out
    assert (tmp_path / "out" / "board.svg").read_text("utf-8").count('<use href="#board"') == 2
    tray.write_text('programs = "each"\n' + tray.read_text("utf-8"), "utf-8")
    code, out, _ = run(*base, "--tray", tray, "--dry")
    assert code == 0
    assert (tmp_path / "out" / "program-1" / "program.gcode").exists()
    assert (tmp_path / "out" / "program-2" / "program.gcode").exists()
    code, _, err = run(*base, "--tray", tray, "--placement", tray)
    assert code == 2 and "both given" in err
    code, _, err = run(*base, "--placement", tray)
    assert code == 2 and "not JSON" in err
    code, _, err = run(*base, "--tray", tmp_path / "none.toml")
    assert code == 2 and "cannot be read" in err


def test_a_point_that_the_board_does_not_have_is_refused_before_anything_moves(run, files, tmp_path):
    base = (
        "register",
        files / "board",
        "-p",
        files / "bench.toml",
        "--port",
        "sim:reprap",
        "-o",
        tmp_path / "p.json",
    )
    code, _, err = run(*base, "--find", "F9")
    assert code == 2 and "F9 is no fiducial" in err


def test_bottom_points_given_as_seen_through_the_board_are_named(run, files, tmp_path):
    board = read_board(files / "board", Ask(side=Side.BOTTOM, roles={}))
    where = affine(turn_deg=0.4, shift_mm=(72.0, 68.0))
    as_seen, through = [], []
    for mark in board.fiducials[:3]:
        x, y = mark.x_mm, mark.y_mm
        u, v = where.point((x, y))
        as_seen += ["--at", f"{x:.4f},{y:.4f}={u:.4f},{v:.4f}"]
        x, y = board.to_file_mm(x, y)
        through += ["--at", f"{x:.4f},{y:.4f}={u:.4f},{v:.4f}"]
    base = (
        "register",
        files / "board",
        "-p",
        files / "bench.toml",
        "--side",
        "bottom",
        "-o",
        tmp_path / "p.json",
    )
    assert run(*base, *as_seen)[0] == 0
    code, _, err = run(*base, *through)
    assert code == 2 and "mirror image" in err and "seen through the board" in err


@pytest.mark.campaign
def test_the_example_tray_is_planned_and_verified(run, files, tmp_path):
    example = Path(__file__).resolve().parents[2] / "examples" / "six-loggers.toml"
    code, out, _ = run(
        "plan", files / "board", "-p", files / "bench.toml", "--tray", example, "-o", tmp_path / "out"
    )
    assert code == 0 and "marked bad and skipped: 5" in out and "verified" in out
