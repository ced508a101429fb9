"""Pads laid as a job wishes: the whole dose in that form, or the usual one and a word why."""

import pytest
from boards_by_hand import board, deposit_settings, hole, pad, paste, rectangle, tip, tuning
from pytest import approx
from shapely.geometry import LineString, Point

from pastewright.board.model import PadKind
from pastewright.deposit.lay import lay
from pastewright.deposit.model import DepositKind
from pastewright.dose.model import Dose
from pastewright.job.model import FormWish, LaidAs
from pastewright.records.kinds import Form

PAD_UL = 0.11
"""On a land of 1.0 × 1.2 mm: some 0.7 of 0.13 mm foil, which one dot of a 25G tip holds."""


def laid(pads, wishes, *, volume_ul=PAD_UL, holes=()):
    doses = [
        Dose(pad_id=one.id, target_ul=volume_ul, solder_ul=0.4 * volume_ul, reason="by hand") for one in pads
    ]
    return lay(
        board(pads, holes=holes),
        doses,
        tip=tip(25),
        paste=paste(),
        tuning=tuning(),
        settings=deposit_settings(),
        wishes={index: FormWish(laid_as=how, pad_id=pads[index].id) for index, how in wishes.items()},
    )


def leads(count=8):
    """Lands of 0.30 × 1.475 mm at 0.5 mm pitch, whose single deposits would bridge (as in test_rows)."""
    return [pad(f"U1-{k + 1}", rectangle(0.5 * k, 0, 0.30, 1.475), net=f"N{k}") for k in range(count)]


@pytest.mark.parametrize(
    ("how", "kind", "usual"),
    [
        (LaidAs.BEAD, DepositKind.BEAD, rectangle(0, 0, 0.6, 1.6)),
        (LaidAs.DOTS, DepositKind.DOT, rectangle(0, 0, 0.6, 4.0)),
    ],
)
def test_a_pad_is_laid_as_wished_with_its_whole_dose(how, kind, usual):
    one = pad("C1-1", usual)
    before, after = laid([one], {}), laid([one], {0: how})
    assert {deposit.kind for deposit in before.deposits} != {kind}
    assert {deposit.kind for deposit in after.deposits} == {kind}
    assert sum(deposit.volume_ul for deposit in after.deposits) == approx(PAD_UL)
    assert after.pads[0].warnings == ()
    assert "as the job wishes" in after.pads[0].reason
    room = usual.buffer(deposit_settings().overhang_mm + 1e-6)
    for deposit in after.deposits:
        path = LineString(deposit.points_mm) if kind is DepositKind.BEAD else Point(deposit.points_mm[0])
        assert room.contains(path.buffer(deposit.width_mm / 2))


def test_what_cannot_be_laid_so_is_laid_as_usual_and_says_why():
    small = pad("C1-1", rectangle(0, 0, 0.5, 0.5))
    before, after = laid([small], {}, volume_ul=0.03), laid([small], {0: LaidAs.BEAD}, volume_ul=0.03)
    assert after.deposits == before.deposits
    (words,) = after.pads[0].warnings
    assert words.startswith("wished as a bead, and laid as usual: none holds the dose")


def test_a_thermal_land_stays_level_whatever_is_wished():
    one = pad("U1-EP", rectangle(0, 0, 3, 3), kind=PadKind.THERMAL)
    after = laid([one], {0: LaidAs.BEAD}, volume_ul=0.9)
    assert {deposit.kind for deposit in after.deposits} == {DepositKind.DOT}
    assert any("level" in words for words in after.pads[0].warnings)


def test_no_wish_lays_paste_over_a_hole():
    one = pad("C1-1", rectangle(0, 0, 0.6, 1.6))
    over = laid([one], {0: LaidAs.BEAD}, holes=[hole(0, 0, 0.2)])
    assert any("hole" in words for words in over.pads[0].warnings)


def test_a_pad_by_itself_lies_in_no_bead_across_a_row():
    pads = leads()
    assert {plan.form for plan in laid(pads, {}, volume_ul=0.056).pads} == {Form.ROW_BEAD}
    apart = laid(pads, {3: LaidAs.ALONE}, volume_ul=0.056)
    assert apart.pads[3].form is not Form.ROW_BEAD
    assert apart.pads[0].form is Form.ROW_BEAD
    assert all(
        share.pad_id != "U1-4"
        for deposit in apart.deposits
        if len(deposit.shares) > 1
        for share in deposit.shares
    )


def test_a_row_that_needs_no_bead_gets_one_when_it_is_wished():
    pads = [pad(f"U1-{k + 1}", rectangle(1.27 * k, 0, 0.6, 1.6), net=f"N{k}") for k in range(6)]
    usual, wished = laid(pads, {}), laid(pads, {2: LaidAs.ROW})
    assert Form.ROW_BEAD not in {plan.form for plan in usual.pads}
    assert {plan.form for plan in wished.pads} == {Form.ROW_BEAD}
    assert "the job wishes it" in wished.pads[0].reason


def test_a_row_that_cannot_have_its_bead_says_why():
    pads = [pad(f"U1-{k + 1}", rectangle(1.27 * k, 0, 0.6, 1.6), net=f"N{k}") for k in range(6)]
    wished = laid(pads, {2: LaidAs.ROW}, volume_ul=0.03)
    assert Form.ROW_BEAD not in {plan.form for plan in wished.pads}
    assert any("no bead narrower" in words for words in wished.pads[2].warnings)


def test_a_pad_in_no_row_says_that_it_has_none():
    after = laid([pad("C1-1", rectangle(0, 0, 0.6, 1.6))], {0: LaidAs.ROW})
    assert any("stands in no row" in words for words in after.pads[0].warnings)
