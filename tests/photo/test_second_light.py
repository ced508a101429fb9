"""The readers before photos by a second renderer: nothing wrong passes for good, and a faulty deposit is not called good.

Truth comes from the meshes that were rendered (scripts/second_light); judged as scripts/second_light_figures.py does.
"""

import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "tests" / "data" / "second_light"
sys.path.insert(0, str(ROOT / "scripts"))

import second_light_figures as figures  # type: ignore[import-not-found]  # noqa: E402


@pytest.mark.campaign
@pytest.mark.parametrize("name", ["sheet-3", "sheet-6", "sheet-7"])  # green, black and white mask
def test_no_wrong_sheet_passes_for_good(name):
    one = figures.read_sheet(DATA / "sheet.json", DATA / f"{name}.jpg")
    assert not one.refused
    assert one.unlaid == 0
    assert one.measured >= 0.7 * one.laid
    assert not one.wrong
    assert np.quantile(np.abs(one.off), 0.95) < 0.08


def test_the_judge_calls_a_wrong_sheet_wrong():
    one = figures.ReadSheet("made up", "paper", shared=0.01, off=[0.05, 0.06, 0.045])
    assert one.wrong
    assert not figures.ReadSheet("made up", "paper", shared=0.04, rough=True, off=[0.05, 0.06, 0.045]).wrong


def judged_board(board, photo, tmp_path):
    """What the command makes of a kept photo of a board, judged."""
    plan = tmp_path / board / "plan.json"
    plan.parent.mkdir()
    plan.write_text((DATA / f"{board}-plan.json").read_text("utf-8"), "utf-8")
    truth, rows = figures.read_board(tmp_path, DATA / f"{photo}.jpg")
    assert isinstance(rows, list)
    return figures.judged(truth, rows)


@pytest.mark.campaign
def test_a_green_board_with_tin_lands_at_a_window(tmp_path):
    count, off, _ = judged_board("leaf", "leaf-3", tmp_path)
    for fault in ("missing", "bridged", "shifted"):
        assert count[fault] == count[f"{fault} told"] == 1
    assert count["double passed"] == count["half passed"] == 0
    assert count["good"] > 45
    assert count["false"] <= 1  # one of paste that a window's mirror image made unlike the others
    assert abs(np.median(off)) < 0.15


@pytest.mark.campaign
def test_bridges_as_light_as_their_white_mask_under_a_ring_light(tmp_path):
    count, _, wrong = judged_board("valve", "valve-28", tmp_path)
    assert count["bridged"] == 5
    assert count["bridged told"] >= 4
    assert count["bridged passed"] == 0
    assert count["missing told"] >= 3
    assert count["good"] > 55
    assert sum("joined with" in line for line in wrong) <= 1  # one missing is fitted onto its neighbour


def test_the_judge_knows_what_is_passed_and_what_is_false():
    def deposit(number: int, fault: str) -> dict:
        return {
            "deposit": number, "pads": [f"P{number}"], "fault": fault, "bridged_to": [], "unsure": False,
            "planned_ul": 1.0, "volume_ul": 1.0, "in_photo": True,
        }  # fmt: skip

    def row(number: int, verdict: str) -> dict:
        return {"id": number, "verdict": verdict, "why": "", "volume_ul": 1.1}

    truth = {"deposits": [deposit(0, "missing"), deposit(1, "missing"), deposit(2, ""), deposit(3, "")]}
    rows = [row(0, "missing"), row(1, "good"), row(2, "low"), row(3, "not seen")]
    count, off, wrong = figures.judged(truth, rows)
    assert (count["missing told"], count["missing passed"]) == (1, 1)
    assert (count["good"], count["false"], count["good not seen"]) == (1, 1, 1)
    assert off == pytest.approx([0.1, 0.1])
    assert len(wrong) == 2
