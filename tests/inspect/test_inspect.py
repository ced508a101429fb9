"""A pasted board in a photo: found however it is turned, every planted fault told, what is not seen never good."""

import json
from dataclasses import replace
from functools import cache

import msgspec
import numpy as np
import pytest
from demo_plans import plan_of
from drawn_boards import board_photo
from shapely.geometry import Point

from pastewright.board.model import Side
from pastewright.inspect.document import InspectedBoard, csv_rows, inspection_record, wipe_list
from pastewright.inspect.find import find_board
from pastewright.inspect.judge import judged, scatter_of
from pastewright.inspect.measure import RowReading, _crossed, _with_alone
from pastewright.inspect.picture import board_picture
from pastewright.inspect.read import Findings, findings_of
from pastewright.job.limits import DEFAULT_LIMITS
from pastewright.link.inspections import keep_inspection
from pastewright.link.journal import Journal
from pastewright.problems import InputError
from pastewright.records.inspection import inspection_of_text, inspection_text
from pastewright.records.kinds import DepositVerdict, PadKind
from pastewright.report.inspection import inspection_page, shown_findings

MIDDLE = (14.0, 26.0)  # of the part of the demo board that is photographed [mm]


@cache
def plan():
    return plan_of(Side.TOP).record


@cache
def picture():
    return board_picture(plan())


def deposit_of(pad_id: str):
    return next(pad for pad in plan().pads if pad.id == pad_id).deposits[0]


@cache
def findings() -> Findings:
    """One photo with FB1-1 missing and a bridge between the pads of R2."""
    a, b = deposit_of("R2-1"), deposit_of("R2-2")
    photo = board_photo(
        plan(),
        middle_mm=MIDDLE,
        left_out=frozenset({deposit_of("FB1-1").id}),
        joined=((a.points_mm[0], b.points_mm[0]),),
    )
    return findings_of(picture(), [photo])


def verdict_of(pad_id: str) -> DepositVerdict:
    number = next(k for k, row in enumerate(picture().rows) if row.pad.id == pad_id)
    return findings().verdicts[number].verdict


def test_the_board_is_found_where_it_was_drawn():
    found = findings().photos[0].found
    assert np.allclose(found.view.to_sheet(found.view.middle_px + 0.5), MIDDLE, atol=0.03)
    assert found.px_per_mm == pytest.approx(30.0, rel=0.005)
    assert found.turn_deg == pytest.approx(17.0, abs=0.3)
    assert found.residual_mm < 0.05


def test_what_is_missing_and_what_is_bridged_is_told():
    assert verdict_of("FB1-1") is DepositVerdict.MISSING
    assert verdict_of("R2-1") is DepositVerdict.BRIDGED
    assert verdict_of("R2-2") is DepositVerdict.BRIDGED


def _reading_of(pad_id: str) -> RowReading:
    number = next(k for k, row in enumerate(picture().rows) if row.pad.id == pad_id)
    reading = findings().readings[number]
    assert reading is not None
    return reading


def test_burnt_out_land_is_missing_paste_only_where_it_is_surely_bare():
    bare = replace(_reading_of("FB1-1"), full=0.5, bare=True)
    for reading, verdict in (
        (bare, DepositVerdict.MISSING),
        (replace(bare, bare=False), DepositVerdict.NOT_SEEN),
        (replace(bare, gone=False), DepositVerdict.NOT_SEEN),
    ):
        assert judged(reading, picture().rows, DEFAULT_LIMITS).verdict is verdict


def test_what_looks_unlike_the_others_is_neither_high_nor_good():
    """Where a land mirrors what paste does, the outline runs on over it."""
    reading = _reading_of("FB1-2")
    doubled = replace(reading, volume_ul=2 * reading.volume_ul, like_paste=0.95)
    for like_paste, verdict in ((0.9, DepositVerdict.HIGH), (0.83, DepositVerdict.NOT_SEEN)):
        told = judged(replace(doubled, like_paste=like_paste), picture().rows, DEFAULT_LIMITS)
        assert told.verdict is verdict


def test_what_is_read_low_is_low_on_whatever_ground():
    """Shade, gloss and metal widen outlines: a narrow one is narrow, a wide one may not be wide."""
    reading = replace(_reading_of("FB1-2"), own_sd=0.9)
    planned = next(row for row in picture().rows if row.pad.id == "FB1-2").deposit.volume_ul
    for share, verdict in ((0.45, DepositVerdict.LOW), (2.2, DepositVerdict.NOT_SEEN)):
        told = judged(replace(reading, volume_ul=share * planned), picture().rows, DEFAULT_LIMITS)
        assert told.verdict is verdict
    burnt = replace(reading, own_sd=0.1, rim_full=0.4, volume_ul=2.2 * planned)
    assert judged(burnt, picture().rows, DEFAULT_LIMITS).verdict is DepositVerdict.NOT_SEEN


def test_what_one_error_of_reading_may_hide_to_be_low_is_not_good():
    reading = _reading_of("FB1-2")
    planned = next(row for row in picture().rows if row.pad.id == "FB1-2").deposit.volume_ul
    for share, own_sd, verdict in (
        (0.58, 0.15, DepositVerdict.NOT_SEEN),
        (0.62, 0.15, DepositVerdict.GOOD),
        (0.62, 0.25, DepositVerdict.NOT_SEEN),
    ):
        one = replace(reading, volume_ul=share * planned, own_sd=own_sd)
        assert judged(one, picture().rows, DEFAULT_LIMITS).verdict is verdict


def test_among_glare_or_legend_nothing_is_told_beside_a_deposit_and_nothing_is_good():
    reading = _reading_of("FB1-2")
    rows = picture().rows
    planned = rows[reading.row].deposit.volume_ul
    bridged = replace(reading, joined=(reading.row + 1,))
    assert judged(bridged, rows, DEFAULT_LIMITS).verdict is DepositVerdict.BRIDGED
    for one in (
        replace(reading, maybe_joined=(reading.row + 1,)),
        replace(reading, maybe_dragged=True),
        replace(reading, common=0.4, volume_ul=2 * planned),
        replace(reading, common=0.4, dragged_mm=0.3),
    ):
        assert judged(one, rows, DEFAULT_LIMITS).verdict is DepositVerdict.NOT_SEEN
    # A good one stays good, and what is low is low.
    assert judged(replace(reading, common=0.4), rows, DEFAULT_LIMITS).verdict is DepositVerdict.GOOD
    low = replace(reading, maybe_dragged=True, volume_ul=0.3 * planned)
    assert judged(low, rows, DEFAULT_LIMITS).verdict is DepositVerdict.LOW


def test_what_lies_aside_on_its_pad_is_off_but_need_not_be_wiped():
    reading = _reading_of("FB1-2")
    width = next(row for row in picture().rows if row.pad.id == "FB1-2").deposit.width_mm
    assert DEFAULT_LIMITS.most_offset * width > 0.18
    for aside, on_pad, off, wipe in (
        (0.14, 1.0, False, False),
        (0.18, 1.0, True, False),
        (0.18, 0.6, True, True),
        (0.3, 1.0, True, True),
    ):
        moved = replace(
            reading,
            offset_mm=(aside, 0.0),
            alone_mm=(aside, 0.0),
            on_pad=on_pad * reading.planned_on_pad,
        )
        told = judged(moved, picture().rows, DEFAULT_LIMITS)
        assert (told.verdict is DepositVerdict.OFF, told.wipe) == (off, wipe)


def test_where_all_around_it_seem_to_lie_aside_a_place_is_not_seen():
    readings = [replace(one, offset_mm=(0.2, 0.05)) for one in findings().readings if one and one.there]
    moved = next(one for one in readings if one.row == _reading_of("FB1-2").row)
    together = {one.row: one for one in _with_alone(readings, picture())}
    assert np.hypot(*together[moved.row].alone_mm) < 0.01
    alone = [replace(one, offset_mm=(0.0, 0.0)) if one is not moved else one for one in readings]
    by_itself = {one.row: one for one in _with_alone(alone, picture())}
    for told, verdict in ((together, DepositVerdict.NOT_SEEN), (by_itself, DepositVerdict.OFF)):
        assert judged(told[moved.row], picture().rows, DEFAULT_LIMITS).verdict is verdict


def test_two_outlines_that_lie_over_each_other_tell_no_place():
    """Two dots in a pad of tin: both fits run to its middle, where no dot lies."""
    numbers = [k for k, row in enumerate(picture().rows) if not row.shared][:3]
    shapes = {number: Point(0.25 * k, 0).buffer(0.35) for k, number in enumerate(numbers)}
    apart = {number: Point(0.5 * k, 0).buffer(0.35) for k, number in enumerate(numbers)}
    assert _crossed(shapes, picture()) == set(numbers)
    assert _crossed(apart, picture()) == set()
    off = replace(_reading_of("FB1-2"), offset_mm=(0.33, 0.0), alone_mm=(0.33, 0.0))
    for crossed, verdict in ((False, DepositVerdict.OFF), (True, DepositVerdict.NOT_SEEN)):
        assert judged(replace(off, crossed=crossed), picture().rows, DEFAULT_LIMITS).verdict is verdict


def test_what_is_burnt_out_by_a_third_is_not_good():
    """A land that mirrors the window looks like paste in its light."""
    reading = _reading_of("FB1-2")
    for full, verdict in ((0.25, DepositVerdict.GOOD), (0.34, DepositVerdict.NOT_SEEN)):
        assert judged(replace(reading, full=full), picture().rows, DEFAULT_LIMITS).verdict is verdict


def test_on_a_land_that_looks_like_paste_little_evidence_is_no_good_deposit():
    reading = _reading_of("FB1-2")
    for told, like_paste, verdict in (
        (0.4, 0.6, DepositVerdict.NOT_SEEN),
        (0.4, 0.9, DepositVerdict.GOOD),
        (1.0, 0.6, DepositVerdict.GOOD),
    ):
        one = replace(reading, told=told, like_paste=like_paste)
        assert judged(one, picture().rows, DEFAULT_LIMITS).verdict is verdict


def test_what_hardly_looks_like_paste_is_never_good():
    """A dome may be drawn over a bare land that mirrors the room better than a flat one."""
    for like_paste, bare_ln, verdict in (
        (0.29, -157.0, DepositVerdict.NOT_SEEN),
        (0.43, -30.0, DepositVerdict.NOT_SEEN),
        (0.44, -76.0, DepositVerdict.NOT_SEEN),
        (0.67, -40.0, DepositVerdict.NOT_SEEN),
        (0.43, -157.0, DepositVerdict.GOOD),
        (0.67, -70.0, DepositVerdict.GOOD),
    ):
        one = replace(_reading_of("FB1-2"), told=0.3, like_paste=like_paste, bare_ln=bare_ln, wide=True)
        assert judged(one, picture().rows, DEFAULT_LIMITS).verdict is verdict


def test_what_is_dragged_out_of_a_deposit_is_smeared_and_wiped():
    told = judged(replace(_reading_of("FB1-2"), dragged_mm=0.3), picture().rows, DEFAULT_LIMITS)
    assert told.verdict is DepositVerdict.OFF
    assert told.wipe
    assert "smeared" in told.why


def test_a_smear_is_told_though_it_drew_its_deposit_s_fit_aside():
    """What is fitted looks unlike the others then; what is wide as well lies on something else."""
    smeared = replace(_reading_of("FB1-2"), dragged_mm=0.3, like_paste=0.7)
    planned = next(row for row in picture().rows if row.pad.id == "FB1-2").deposit.volume_ul
    for share, verdict in ((0.7, DepositVerdict.OFF), (2.2, DepositVerdict.NOT_SEEN)):
        told = judged(replace(smeared, volume_ul=share * planned), picture().rows, DEFAULT_LIMITS)
        assert told.verdict is verdict
    shifted = replace(smeared, dragged_mm=0.0, offset_mm=(0.4, 0.0), alone_mm=(0.4, 0.0))
    assert judged(shifted, picture().rows, DEFAULT_LIMITS).verdict is DepositVerdict.NOT_SEEN


def test_where_no_edge_was_found_nothing_lies_beyond_it():
    reading = _reading_of("FB1-2")
    lost = replace(reading, own_sd=1.0, volume_ul=3 * reading.volume_ul, dragged_mm=0.5, tail_mm=0.7)
    assert judged(lost, picture().rows, DEFAULT_LIMITS).verdict is DepositVerdict.NOT_SEEN


def test_burnt_out_deposits_are_bridged_where_a_neck_is_seen():
    burnt = replace(_reading_of("R2-1"), full=0.6)
    assert burnt.joined
    assert judged(burnt, picture().rows, DEFAULT_LIMITS).verdict is DepositVerdict.BRIDGED
    for other in (replace(burnt, joined=()), replace(burnt, whole=False)):
        assert judged(other, picture().rows, DEFAULT_LIMITS).verdict is DepositVerdict.NOT_SEEN


def test_a_size_is_told_no_better_than_the_photo_s_deposits_differ():
    reading = _reading_of("FB1-2")
    planned = next(row for row in picture().rows if row.pad.id == "FB1-2").deposit.volume_ul
    for share, scatter, verdict in (
        (1.7, 0.1, DepositVerdict.HIGH),
        (1.7, 0.4, DepositVerdict.NOT_SEEN),
        (2.2, 0.4, DepositVerdict.HIGH),
        (1.1, 0.4, DepositVerdict.GOOD),
    ):
        read = replace(reading, volume_ul=share * planned, own_sd=0.05)
        assert judged(read, picture().rows, DEFAULT_LIMITS, scatter=scatter).verdict is verdict
    usual = [replace(one, volume_ul=2 * one.volume_ul) for one in findings().photos[0].readings if one.there]
    assert scatter_of(usual, picture().rows) == pytest.approx(
        scatter_of(findings().photos[0].readings, picture().rows)
    )
    assert 0 < scatter_of(usual, picture().rows) < 0.2


def test_the_others_are_good_and_what_lies_outside_is_not_seen():
    planted = {"FB1-1", "R2-1", "R2-2"}
    seen = [
        (row.pad.id, verdict.verdict)
        for row, verdict in zip(picture().rows, findings().verdicts, strict=True)
        if row.pad.id not in planted and verdict.verdict is not DepositVerdict.NOT_SEEN
    ]
    assert len(seen) > 25
    assert [one for one in seen if one[1] is not DepositVerdict.GOOD] == []
    far = [
        verdict.verdict
        for row, verdict in zip(picture().rows, findings().verdicts, strict=True)
        if np.hypot(row.at_mm[0] - MIDDLE[0], row.at_mm[1] - MIDDLE[1]) > 15
    ]
    assert far
    assert set(far) == {DepositVerdict.NOT_SEEN}


def test_volumes_are_those_that_were_drawn():
    # Drawn with the planned widths, so the planned volumes are the truth.
    shares = [
        reading.volume_ul / row.deposit.volume_ul
        for row, reading, verdict in zip(
            picture().rows, findings().readings, findings().verdicts, strict=True
        )
        if verdict.verdict is DepositVerdict.GOOD and reading is not None
    ]
    assert np.median(shares) == pytest.approx(1.0, abs=0.12)


def test_the_record_the_table_and_the_page_tell_the_same():
    board = InspectedBoard(plan_file="plan.json", plan_sha256="0" * 64, at="2030-01-01T00:00:00+00:00")
    record = inspection_record(findings(), plan(), board)
    assert inspection_of_text(inspection_text(record)) == record
    rows = csv_rows(record)
    assert len(rows) == len(record.deposits) == len(picture().rows)
    assert {row["verdict"] for row in rows if row["pad"] == "FB1-1"} == {"missing"}
    assert [part for part, _ in wipe_list(record)] == ["R2"]
    page = inspection_page(record, shown_findings(record, findings()))
    assert page.count("data:image/jpeg;base64,") == sum(
        one.verdict not in (DepositVerdict.GOOD, DepositVerdict.NOT_SEEN) for one in record.deposits
    )
    assert "joined with R2-2" in page


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"mirrored": True}, "mirrored"),
        ({"middle_mm": (-200.0, 0.0)}, "not found"),
    ],
)
@pytest.mark.campaign
def test_what_does_not_show_this_side_is_refused(changes, says):
    photo = board_photo(plan(), **({"middle_mm": MIDDLE} | changes))
    with pytest.raises(InputError) as caught:
        find_board(photo, picture())
    assert says in str(caught.value)


def test_a_blurred_photo_is_refused():
    with pytest.raises(InputError) as caught:
        findings_of(picture(), [board_photo(plan(), middle_mm=MIDDLE, blur_px=8.0)])
    assert "blurred" in str(caught.value)


@pytest.mark.campaign
def test_the_other_side_s_plan_does_not_fit():
    photo = board_photo(plan(), middle_mm=MIDDLE)
    with pytest.raises(InputError) as caught:
        find_board(photo, board_picture(plan_of(Side.BOTTOM).record))
    assert "not found" in str(caught.value) or "it is the other side" in str(caught.value)


@pytest.mark.campaign
def test_a_photo_upside_down_is_the_same_board():
    turned = find_board(board_photo(plan(), middle_mm=MIDDLE, turn_deg=197.0), picture())
    assert np.allclose(turned.view.to_sheet(turned.view.middle_px + 0.5), MIDDLE, atol=0.03)
    assert abs(turned.turn_deg) == pytest.approx(163.0, abs=0.3)


def test_inspections_kept_in_the_journal_tell_capability_as_their_files_do(run_pastewright, tmp_path):
    record = inspection_record(
        findings(),
        plan(),
        InspectedBoard(plan_file="plan.json", plan_sha256="0" * 64, at="", serial="GH-001"),
    )
    file, path = tmp_path / "inspection.json", tmp_path / "runs.db"
    file.write_text(inspection_text(record), encoding="utf-8")
    journal = Journal(path)
    with journal.change() as db:
        db.execute("INSERT INTO programs VALUES ('a', 'demo', 'G0', '{}')")
        db.execute(
            "INSERT INTO boards (id, program, name, side, number, dry, began_at) VALUES (7, 'a', 'demo', 'top', 1, 0, 0)"
        )
        db.execute(
            "INSERT INTO runs (board, began_at, phase, process, port, profile, profile_sha256, tuning, tip, paste, lot,"
            " fill_ul, strip_ul, note) VALUES (7, 0, 'done', 1, '', '', '', '', '', '', '', 1, 1, '')"
        )
    older = msgspec.structs.replace(record, deposits=record.deposits[:1])
    for text in (inspection_text(older), inspection_text(record)):  # the newer one of a board counts
        keep_inspection(journal, 7, "in words", record=text, now_s=1.0)
    journal.close()
    words = ("--journal", path, "--out")
    assert run_pastewright("capability", file, *words, tmp_path / "a")[0] == 0
    for number, more in enumerate(((), ("--board", "GH-001"))):
        assert run_pastewright("capability", *more, *words, tmp_path / f"b{number}")[0] == 0
        (of_file, kept) = (
            json.loads((tmp_path / folder / "capability.json").read_text("utf-8"))
            for folder in ("a", f"b{number}")
        )
        assert kept == of_file
        assert kept["deposits"] == len(record.deposits)
        # By hand from the record: what is missing of what was seen, by class.
        for told in kept["classes"]:
            mine = [
                one
                for one in record.deposits
                if told["kind"]
                == (str(one.form) if one.pad_kind is PadKind.SURFACE else f"{one.pad_kind} {one.form}")
            ]
            seen = [one for one in mine if one.verdict is not DepositVerdict.NOT_SEEN]
            gone = sum(one.verdict is DepositVerdict.MISSING for one in seen)
            assert (told["missing"] or {"found": 0, "of": 0}) | {"low": 0, "high": 0} == {
                "found": gone,
                "of": len(seen),
                "low": 0,
                "high": 0,
            }
            shares = [one.volume_ul / one.planned_ul for one in mine if one.volume_ul is not None]
            assert told["able"] is None or told["able"]["count"] <= len(shares)
    code, said = run_pastewright("capability", "--board", "GH-002", "--journal", path)
    assert code == 2
    assert "the journal keeps no inspection of GH-002" in said


def test_what_may_be_a_bare_land_is_not_good():
    """However much it looks like paste by its colours."""
    reading = _reading_of("FB1-2")
    for bare_ln, like_paste, verdict in (
        (5.0, 0.9, DepositVerdict.GOOD),
        (5.0, 0.7, DepositVerdict.NOT_SEEN),
        (30.0, 0.9, DepositVerdict.NOT_SEEN),
        (-20.0, 0.7, DepositVerdict.GOOD),
    ):
        told = judged(
            replace(reading, bare_ln=bare_ln, like_paste=like_paste), picture().rows, DEFAULT_LIMITS
        )
        assert told.verdict is verdict


def test_a_dome_whose_size_was_searched_for_is_low_or_good_as_it_is_small_or_wide():
    """On a land that looks like paste, where the colours alone would leave it in doubt."""
    reading = replace(_reading_of("FB1-2"), told=0.4, like_paste=0.55, bare_ln=-80.0)
    planned = next(row for row in picture().rows if row.pad.id == "FB1-2").deposit.volume_ul
    for share, small, wide, verdict in (
        (1.0, False, False, DepositVerdict.NOT_SEEN),
        (1.0, False, True, DepositVerdict.GOOD),
        (0.4, True, False, DepositVerdict.LOW),
        (0.55, True, False, DepositVerdict.LOW),
        (0.7, True, False, DepositVerdict.NOT_SEEN),
    ):
        one = replace(reading, volume_ul=share * planned, small=small, wide=wide)
        assert judged(one, picture().rows, DEFAULT_LIMITS).verdict is verdict
