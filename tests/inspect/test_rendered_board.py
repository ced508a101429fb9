"""One photo under physical light, its truth known: what was planted is told, and nothing else."""

import json
from pathlib import Path

import pytest
from demo_plans import plan_of

from pastewright.board.model import Side
from pastewright.inspect.picture import board_picture
from pastewright.inspect.read import findings_of
from pastewright.photo.file import read_photo
from pastewright.records.kinds import DepositVerdict
from pastewright.records.plan import read_plan

DATA = Path(__file__).parents[1] / "data" / "inspection"


def test_a_rendered_photo_of_a_green_board_with_copper_lands():
    # Rendered by scripts/inspection_photos.py, scene 8106: two bridges; two missing, one doubled, one half, one smeared.
    findings = findings_of(
        board_picture(read_plan(DATA / "leaf-plan.json")), [read_photo(DATA / "8106-lamp.jpg")]
    )
    truth = json.loads((DATA / "8106.json").read_text("utf-8"))["rows"]
    planted = {(row["id"], row["pad"]): row["fault"] for row in truth}
    told = {
        (row.deposit.id, row.pad.id): verdict.verdict
        for row, verdict in zip(findings.picture.rows, findings.verdicts, strict=True)
    }
    for key, fault in planted.items():
        if fault in ("missing", "bridged"):
            assert str(told[key]) == fault
        elif fault in ("half", "double"):
            assert str(told[key]) == {"half": "low", "double": "high"}[fault]
        elif fault == "smeared":
            assert told[key] is not DepositVerdict.GOOD
        elif not fault:
            assert told[key] in (DepositVerdict.GOOD, DepositVerdict.NOT_SEEN)
    assert sum(verdict is DepositVerdict.GOOD for verdict in told.values()) > 45


def test_what_is_missing_on_tin_that_mirrors_the_window_is_told_though_its_lands_are_burnt_out():
    # Rendered by scripts/inspection_photos.py, scene 8378: two missing on lands of levelled tin, as light as light can be.
    findings = findings_of(board_picture(plan_of(Side.TOP).record), [read_photo(DATA / "8378-window.jpg")])
    truth = json.loads((DATA / "8378.json").read_text("utf-8"))["rows"]
    planted = {(row["id"], row["pad"]): row["fault"] for row in truth}
    told = {
        (row.deposit.id, row.pad.id): verdict.verdict
        for row, verdict in zip(findings.picture.rows, findings.verdicts, strict=True)
    }
    missing = {
        key
        for key, fault in planted.items()
        if fault == "missing" and told[key] is not DepositVerdict.NOT_SEEN
    }
    assert {pad for _, pad in missing} == {"C7-1", "R14-1"}
    assert missing == {key for key, verdict in told.items() if verdict is DepositVerdict.MISSING}


@pytest.mark.campaign
def test_bridges_on_a_white_board_are_told_though_paste_is_as_grey_as_shade():
    # Rendered by scripts/inspection_photos.py, scene 8202: necks 0.25 and 0.16 mm wide, paste as light as its mask in shade.
    findings = findings_of(
        board_picture(read_plan(DATA / "leaf-plan.json")), [read_photo(DATA / "8202-lamp.jpg")]
    )
    scene = json.loads((DATA / "8202.json").read_text("utf-8"))
    joined = {(row["pad"], *row["joined"]) for row in scene["rows"] if row["joined"]}
    told = {
        (row.pad.id, *(findings.picture.rows[other].pad.id for other in reading.joined))
        for row, reading in zip(findings.picture.rows, findings.readings, strict=True)
        if reading is not None and reading.joined
    }
    assert len(joined) >= 4
    assert told >= joined - {
        ("P0047", "P0048"),
        ("P0048", "P0047"),
    }  # these two were shifted and doubled into each other
    assert len(told) <= len(joined) + 2
