"""Renew the pictures of docs/placement.md: the tray of six, and predicted against measured error.

    python scripts/placement_pictures.py

Every caption's claim is asserted here before its picture is written.
"""

from math import sqrt
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from matplotlib.figure import Figure

from pastewright.board.ask import Ask
from pastewright.board.model import Board, Side
from pastewright.board.read import read_board
from pastewright.demo.board import write_demo
from pastewright.place.fiducials.fit import FitKind, error_covariances, fitted
from pastewright.place.transform import affine
from pastewright.place.tray.file import read_tray
from pastewright.place.tray.panel import place_tray
from pastewright.plan.pipeline import prepare
from pastewright.plan.tray import plan_tray
from pastewright.plot_svg import svg_text
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.report.render import render_report
from pastewright.work.placing import tip_tolerance

ROOT = Path(__file__).resolve().parent.parent
IMAGES = ROOT / "docs" / "img"
TRIALS = 1000
SIGMA_MM = 0.02


def demo_board() -> Board:
    with TemporaryDirectory() as folder:
        write_demo(Path(folder), "x2")
        return read_board(Path(folder), Ask(side=Side.TOP, name="greenhouse logger"))


def tray_picture(board: Board) -> str:
    """The tray of six, planned and verified."""
    profile = parse_profile(example_text(DEMO), DEMO)
    tray = read_tray(ROOT / "examples" / "six-loggers.toml")
    placed = place_tray(tray, board, bed=profile.bed, tip=tip_tolerance(profile))
    (plan,) = plan_tray(prepare(board, profile), placed.placements, profile)
    assert plan.verdict.ok, plan.verdict.findings[:3]
    assert [one.name for one in plan.placements.boards] == ["1", "2", "3", "4", "6"]
    assert list(placed.skipped) == ["5"]
    totals = plan.record.totals
    print(
        f"tray of six: {totals.deposits} deposits, {totals.paste_ul:.1f} µL, {totals.machine_s / 60:.1f} min,"
        f" {plan.record.placement.travel_z_mm:.3f} mm travel height; verified"
    )
    return render_report(plan, skipped=tuple(placed.skipped.items()))[0]


def error_picture(board: Board) -> str:
    """Predicted and measured error at the worst pad, for each way to register the demo board."""
    marks = np.array([(mark.x_mm, mark.y_mm) for mark in board.fiducials])
    width, height = board.size_mm
    corners = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    pads = np.array([(pad.land.centroid.x, pad.land.centroid.y) for pad in board.pads if pad.apertures])
    true = affine(turn_deg=12.0, shift_mm=(80.0, 70.0))
    cases = [
        ("2 fiducials,\nrigid", marks[1:], FitKind.RIGID),
        ("3 fiducials,\nrigid", marks, FitKind.RIGID),
        ("3 fiducials,\nsimilarity", marks, FitKind.SIMILARITY),
        ("3 fiducials,\naffine", marks, FitKind.AFFINE),
        ("4 corners,\naffine", corners, FitKind.AFFINE),
    ]
    rng = np.random.default_rng(20)
    names, predicted, measured = [], [], []
    for name, points, kind in cases:
        fit = fitted(points, true.apply(points), kind)
        spread = error_covariances(fit, points, pads, sigma_mm=SIGMA_MM)
        expected = np.sqrt(np.trace(spread, axis1=1, axis2=2))
        worst = pads[int(expected.argmax())][None]
        there = true.apply(worst)
        off = [
            fitted(points, true.apply(points) + rng.normal(0, SIGMA_MM, points.shape), kind).affine.apply(
                worst
            )
            - there
            for _ in range(TRIALS)
        ]
        names.append(name)
        predicted.append(float(expected.max()))
        measured.append(sqrt(float((np.array(off) ** 2).sum()) / TRIALS))
        assert abs(measured[-1] / predicted[-1] - 1) < 0.10
        print(
            f"{name.replace(chr(10), ' ')}: predicted {predicted[-1]:.4f} mm, measured {measured[-1]:.4f} mm"
        )
    assert predicted[3] > 2 * predicted[1]
    figure = Figure(figsize=(7.2, 3.4), layout="constrained")
    axes = figure.add_subplot()
    places = np.arange(len(names))
    axes.bar(places - 0.2, np.array(predicted) * 1000, 0.4, label="predicted", color="#3a7d5c")
    axes.bar(
        places + 0.2, np.array(measured) * 1000, 0.4, label=f"measured, {TRIALS} trials", color="#c9b458"
    )
    axes.axhline(SIGMA_MM * 1000, color="#777777", linewidth=0.8, linestyle="--")
    axes.annotate("one found coordinate", (len(names) - 0.5, SIGMA_MM * 1000 + 0.6), ha="right", fontsize=8)
    axes.set_xticks(places, names)
    axes.set_ylabel("error at the worst pad, rms [µm]")
    axes.legend(frameon=False)
    return svg_text(figure)


def main() -> None:
    board = demo_board()
    IMAGES.mkdir(parents=True, exist_ok=True)
    (IMAGES / "registration-error.svg").write_text(error_picture(board), encoding="utf-8")
    (IMAGES / "tray.svg").write_text(tray_picture(board), encoding="utf-8")


if __name__ == "__main__":
    main()
