"""The read-back judges beads across rows pad by pad, and sees through a plan that tells other shares."""

from dataclasses import replace

import numpy as np
import pytest
from demo_plans import plan_of
from msgspec import structs

from pastewright.board.model import Side
from pastewright.motion import plan as motion_plan
from pastewright.plan.pipeline import make_plan
from pastewright.plunger import row as rows
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.rules_row import every_pad_of_a_row, nearest_shares
from pastewright.readback.judge.verify import case_of
from pastewright.readback.model import FindingKind


@pytest.fixture(scope="module")
def seen():
    plan = plan_of(Side.TOP)
    return case_of(plan.program.text, expected_from_plan(plan.record), plan.profile)


def test_the_read_back_finds_what_the_plan_tells(seen):
    assert len(seen.expected.rows) == 7
    for row in seen.expected.rows:
        found = nearest_shares(seen, [(row, seen.ledger.laid[row.deposit][0])])[0]
        np.testing.assert_allclose(found, row.told, atol=0.03)
    assert not list(every_pad_of_a_row(seen))


def test_paste_half_a_pad_off_is_seen_and_believed_only_where_it_is_told(seen):
    row = seen.expected.rows[0]
    centres = np.array(row.centres_mm)
    reach = np.abs(centres - centres.mean(axis=0)).sum(axis=1)
    outer = sorted(range(len(centres)), key=lambda at: -reach[at])[:2]
    half_pitch = (centres[outer[1]] - centres[outer[0]]) / (len(centres) - 1) / 2
    off = structs.replace(row, centres_mm=tuple(map(tuple, centres + half_pitch)))
    moved = structs.replace(seen, expected=replace(seen.expected, rows=(off,)))
    findings = list(every_pad_of_a_row(moved))
    assert {row.pad_ids[at] for at in outer} <= {finding.pad_id for finding in findings}
    assert {finding.kind for finding in findings} == {FindingKind.ROW}
    shares = nearest_shares(moved, [(off, seen.ledger.laid[row.deposit][0])])[0]
    honest = structs.replace(off, told=tuple(shares.tolist()))
    assert not list(
        every_pad_of_a_row(structs.replace(seen, expected=replace(seen.expected, rows=(honest,))))
    )
    silent = structs.replace(off, told=(None,) * len(off.told))
    assert list(every_pad_of_a_row(structs.replace(seen, expected=replace(seen.expected, rows=(silent,)))))


def test_a_bead_whose_ends_are_wrong_is_found(monkeypatch):
    """The tip walks all of the leaks away, and the plan claims even shares."""
    plan = plan_of(Side.TOP)
    monkeypatch.setattr(motion_plan, "nearest_shares", lambda cycle, walk: (1.0,) * walk.row_pads)
    monkeypatch.setattr(rows.RowLengths, "short_mm", property(lambda lengths: 0.05 * lengths.pitch_mm))
    broken = make_plan(plan.board, plan.profile)
    kinds = {finding.kind for finding in broken.verdict.findings}
    assert kinds == {FindingKind.ROW}
