"""One photo under physical light, its truth known: what was planted is told, and nothing else."""

import json
from pathlib import Path

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
