"""Which form is chosen for which land, and that every form keeps to its land and its dose."""

import itertools

import pytest
from boards_by_hand import deposit_settings, paste, rectangle, tip, tuning
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx
from shapely import affinity
from shapely.geometry import Point, Polygon, box
from shapely.ops import unary_union

from pastewright.deposit.forms import choose
from pastewright.deposit.frame import frames
from pastewright.deposit.limits import BEAD_BORES, FormLimits, finer_tip, limits
from pastewright.deposit.model import DepositKind
from pastewright.deposit.odd import choose_odd, footprint
from pastewright.deposit.shape import bead_volume_ul, dot_volume_ul, dot_width_mm
from pastewright.materials.tables import tips
from pastewright.records.kinds import Form


def bench(gauge=25, *, overhang_mm=0.05, dot_ratio=0.4, **changes):
    return limits(
        tip=tip(gauge),
        paste=paste(),
        tuning=tuning(dot_shape_ratio=dot_ratio),
        settings=deposit_settings(overhang_mm=overhang_mm, **changes),
    )


# One-dot widths at h/d 0.35 of the own worked table (volume to dispense, width of one dot, and its land): the lesson
# there is that a full stencil volume as one dot is wider than the land on 0402, 0201 and 0.5 mm pitch.
TABLE = [
    ("R0201", 0.46, 0.40, 0.0233, 0.53, True),
    ("R0402", 0.64, 0.54, 0.0437, 0.65, True),
    ("R0603", 0.95, 0.80, 0.0961, 0.84, True),
    ("R0805", 1.40, 1.025, 0.1815, 1.04, True),
    ("SOIC-8", 1.95, 0.60, 0.1480, 0.97, True),
    ("QFN-32", 0.875, 0.25, 0.0277, 0.56, True),
    ("TQFP-100", 1.475, 0.30, 0.0560, 0.70, True),
]


@pytest.mark.parametrize(("part", "long_mm", "short_mm", "volume_ul", "one_dot_mm", "wider"), TABLE)
def test_one_dot_would_be_as_wide_as_the_table_says(part, long_mm, short_mm, volume_ul, one_dot_mm, wider):
    width_mm = dot_width_mm(volume_ul, 0.35)
    assert width_mm == approx(one_dot_mm, abs=0.006)
    assert (width_mm > short_mm) is wider


@pytest.mark.parametrize(("part", "long_mm", "short_mm", "volume_ul", "one_dot_mm", "wider"), TABLE)
def test_the_land_patterns_of_the_table_get_forms_that_fit(
    part, long_mm, short_mm, volume_ul, one_dot_mm, wider
):
    choice = choose(long_mm, short_mm, volume_ul, bench(27, dot_ratio=0.35))
    forms = {"SOIC-8": Form.DOT_ROW, "QFN-32": Form.BEAD, "TQFP-100": Form.BEAD, "R0402": Form.BEAD}
    assert choice.form is forms.get(part, Form.DOT)
    assert choice.possible
    assert within(choice, long_mm, short_mm, 0.05)
    if part == "R0201":
        # One dot of 0.53 mm on a land of 0.40 mm and 0.05 mm overhang: trimmed to 0.50 mm, told.
        assert "trimmed" in choice.warnings[0]
        assert choice.volume_ul == approx(dot_volume_ul(0.50, 0.35))
    else:
        assert choice.warnings == ()
        assert choice.volume_ul == approx(volume_ul)


def within(choice, long_mm, short_mm, overhang_mm):
    # Footprints are polygons inscribed in circles, so the hair is for rounding only.
    room = rectangle(0, 0, long_mm + 2 * overhang_mm, short_mm + 2 * overhang_mm).buffer(1e-6)
    return all(room.contains(footprint(piece)) for piece in choice.pieces)


def test_a_large_land_gets_a_field_and_a_larger_one_a_serpentine():
    # 60 % of the land × 0.12 mm × 1.265.
    field = choose(6.0, 6.0, 3.28, bench())
    assert field.form is Form.DOT_FIELD
    assert len(field.pieces) == 9
    serpentine = choose(12.0, 10.0, 10.93, bench())
    assert serpentine.form is Form.SERPENTINE
    (path,) = serpentine.pieces
    assert path.kind is DepositKind.BEAD
    assert len(path.points_mm) % 2 == 0
    assert within(serpentine, 12.0, 10.0, 0.0)


def test_lines_of_a_serpentine_lie_side_by_side_but_not_far_apart():
    (path,) = choose(12.0, 10.0, 10.93, bench()).pieces
    lines = sorted({round(v, 6) for _, v in path.points_mm})
    steps = [upper - lower for lower, upper in itertools.pairwise(lines)]
    assert all(path.width_mm <= step <= 2 * path.width_mm for step in steps)


def test_a_row_may_use_the_overhang_at_its_ends_so_that_its_dots_only_touch():
    # Two dots 0.54 mm wide on 1.0 mm: half a land each would let them overlap by 0.04 mm.
    choice = choose(1.0, 0.5, 2 * dot_volume_ul(0.54, 0.4), bench())
    assert choice.form is Form.DOT_ROW
    (u0, _), (u1, _) = (piece.points_mm[0] for piece in choice.pieces)
    assert u1 - u0 == approx(0.54)
    assert within(choice, 1.0, 0.5, 0.05)


def test_a_little_paste_on_a_large_land_is_spread_as_far_as_the_tip_allows():
    # The smallest dot of 25G is 0.0074 µL, so 0.07 µL are nine dots at most.
    choice = choose(5.0, 5.0, 0.07, bench())
    assert choice.form is Form.DOT_FIELD
    assert choice.pieces[0].width_mm >= bench().least_dot_mm
    assert len(choice.pieces) == 9


def test_a_dose_under_the_smallest_dot_is_raised_within_the_limit():
    least_ul = dot_volume_ul(1.3 * 0.26, 0.4)
    choice = choose(0.5, 0.5, least_ul / 1.2, bench())
    assert choice.volume_ul == approx(least_ul)
    assert choice.possible
    assert "raised" in choice.warnings[0]
    assert "120 %" in choice.warnings[0]


def test_a_dose_far_under_the_smallest_dot_names_the_tip_that_could():
    # 25G lays no less than 0.0074 µL, 27G (bore 0.210) 0.00388, 28G (0.184) 0.0026; the limit is 130 %.
    choice = choose(0.5, 0.5, 0.0029, bench())
    assert not choice.possible
    assert choice.volume_ul == approx(dot_volume_ul(1.3 * 0.26, 0.4))
    assert "cannot be done with this tip" in choice.warnings[0]
    assert "28G" in choice.warnings[0]
    assert choose(0.5, 0.5, 0.0031, bench()).warnings[0].endswith("a 27G tip (bore 0.21 mm) could")


def test_a_finer_tip_is_told_to_need_a_finer_powder():
    # 30G (bore 0.159) lays no less than 0.00168 µL, 31G (0.133) 0.00099; the limit is 130 %. Type 5 powder
    # passes 7 × 0.025 = 0.175 mm (paste maker's rule).
    choice = choose(0.4, 0.4, 0.0012, bench())
    assert "31G" in choice.warnings[0]
    assert "0.175 mm" in choice.warnings[0]


def test_a_land_narrower_than_any_dot_of_the_tip_gets_the_smallest_and_says_so():
    choice = choose(0.875, 0.25, 0.0277, bench(23))
    assert not choice.possible
    assert choice.form is Form.DOT
    assert choice.pieces[0].width_mm == approx(1.3 * 0.337)
    assert "25G" in choice.warnings[0]


def test_a_land_too_small_for_its_dose_is_filled_and_the_lack_is_told():
    choice = choose(0.3, 0.3, 0.05, bench(30))
    assert not choice.possible
    assert "cannot be done within the limits" in choice.warnings[0]
    assert "no tip of the table could" in choice.warnings[0]
    assert within(choice, 0.3, 0.3, 0.05)


sides = st.floats(0.15, 8.0)
thickness = st.floats(0.02, 0.25)
gauges = st.sampled_from([23, 25, 27, 30])


@given(sides, sides, thickness, gauges, st.floats(0, 0.15))
def test_paste_laid_is_paste_asked_unless_told_and_stays_on_the_land(
    one, other, thick_mm, gauge, overhang_mm
):
    long_mm, short_mm = max(one, other), min(one, other)
    volume_ul = long_mm * short_mm * thick_mm
    given_limits = bench(gauge, overhang_mm=overhang_mm)
    choice = choose(long_mm, short_mm, volume_ul, given_limits)
    assert choice.volume_ul > 0
    if not choice.warnings:
        assert choice.volume_ul == approx(volume_ul, rel=1e-6)
    elif choice.possible:
        assert 0.7 * (1 - 1e-6) <= choice.volume_ul / volume_ul <= 1.3 * (1 + 1e-6)
        assert choice.volume_ul != approx(volume_ul, rel=1e-9)
    else:
        assert "cannot be done" in choice.warnings[-1]
    if choice.possible:
        assert within(choice, long_mm, short_mm, overhang_mm)
    for piece in choice.pieces:
        least_bores = 1.3 if piece.kind is DepositKind.DOT else BEAD_BORES
        assert piece.width_mm >= least_bores * given_limits.bore_mm * (1 - 1e-6)


@given(sides, sides, thickness, gauges)
def test_volume_and_shape_of_every_piece_agree(one, other, thick_mm, gauge):
    long_mm, short_mm = max(one, other), min(one, other)
    for piece in choose(long_mm, short_mm, long_mm * short_mm * thick_mm, bench(gauge)).pieces:
        if piece.kind is DepositKind.DOT:
            expected_ul = dot_volume_ul(piece.width_mm, 0.4)
        else:
            pairs = zip(piece.points_mm, piece.points_mm[1:], strict=False)
            path_mm = sum(((u1 - u0) ** 2 + (v1 - v0) ** 2) ** 0.5 for (u0, v0), (u1, v1) in pairs)
            expected_ul = bead_volume_ul(piece.width_mm, path_mm, 0.4)
        assert piece.volume_ul == approx(expected_ul, rel=1e-6)
        assert piece.height_mm == approx(0.4 * piece.width_mm)


@given(sides, sides, thickness, gauges)
def test_dots_of_one_land_do_not_overlap(one, other, thick_mm, gauge):
    long_mm, short_mm = max(one, other), min(one, other)
    pieces = choose(long_mm, short_mm, long_mm * short_mm * thick_mm, bench(gauge)).pieces
    for k, piece in enumerate(pieces):
        for earlier in pieces[:k]:
            (u0, v0), (u1, v1) = piece.points_mm[0], earlier.points_mm[0]
            assert ((u1 - u0) ** 2 + (v1 - v0) ** 2) ** 0.5 >= piece.width_mm * (1 - 1e-6)


@given(sides, sides, st.floats(0.02, 0.12), st.floats(1.0, 1.5))
def test_more_paste_asked_never_means_less_laid_while_no_limit_is_left(one, other, thick_mm, more):
    long_mm, short_mm = max(one, other), min(one, other)
    less, greater = (
        choose(long_mm, short_mm, long_mm * short_mm * t, bench(27)) for t in (thick_mm, thick_mm * more)
    )
    if less.possible and greater.possible and not less.warnings and not greater.warnings:
        assert greater.volume_ul >= less.volume_ul * (1 - 1e-9)


ELL = Polygon([(0, 0), (3, 0), (3, 1), (1, 1), (1, 3), (0, 3)])
RING = Point(0, 0).buffer(2.0).difference(Point(0, 0).buffer(1.0))
PLATE = Polygon([(0, 0), (2, 0), (3, 1), (2, 2), (0, 2)])
# A turned 3 × 1 mm rectangle with a notch in every side: none of its edges has the rectangle's direction.
NOTCHED = affinity.rotate(
    Polygon([(0, 0), (1.5, 0.1), (3, 0), (2.9, 0.5), (3, 1), (1.5, 0.9), (0, 1), (0.1, 0.5)]), 20
)


@pytest.mark.parametrize("land", [ELL, RING, PLATE], ids=["ell", "ring", "plate"])
@pytest.mark.parametrize("thick_mm", [0.05, 0.1, 0.15])
def test_dots_on_odd_lands_stay_on_them_and_apart(land, thick_mm):
    choice = choose_odd(land, land.area * thick_mm, bench(25))
    assert choice.possible
    assert choice.warnings == ()
    assert choice.volume_ul == approx(land.area * thick_mm)
    covered = unary_union([footprint(piece) for piece in choice.pieces])
    assert land.buffer(0.05 + 1e-3).contains(covered)
    assert covered.area == approx(sum(footprint(piece).area for piece in choice.pieces), rel=1e-3)


def test_an_odd_land_that_cannot_hold_its_dose_is_trimmed_and_told():
    # A cross with arms 0.4 mm wide: 0.8 mm thick paste is too much, and too much by more than the limit.
    cross = unary_union([box(-1, -0.2, 1, 0.2), box(-0.2, -1, 0.2, 1)])
    assert isinstance(cross, Polygon)
    most = choose_odd(cross, cross.area * 0.8, bench(27))
    assert not most.possible
    assert "cannot be done within the limits" in most.warnings[0]
    trimmed = choose_odd(cross, most.volume_ul / 0.8, bench(27))
    assert trimmed.possible
    assert "trimmed" in trimmed.warnings[0]
    assert cross.buffer(0.05 + 1e-3).contains(unary_union([footprint(p) for p in trimmed.pieces]))


def test_frames_follow_their_lands():
    lands = [rectangle(5, 7, 3, 1), rectangle(-2, 1, 1, 3), Point(4, 4).buffer(0.5, quad_segs=32)]
    wide, tall, disc = frames(lands)
    assert (wide.x_mm, wide.y_mm, wide.long_mm, wide.short_mm) == approx((5, 7, 3, 1))
    assert (tall.x_mm, tall.y_mm, tall.long_mm, tall.short_mm) == approx((-2, 1, 3, 1))
    assert (abs(wide.ux), abs(tall.uy)) == approx((1, 1))
    assert disc.fill == approx(0.785, abs=0.002)
    assert tall.to_board(1.0, 0.5)[1] == approx(1 + tall.uy)


def test_the_frame_of_a_concave_land_is_its_least_rectangle():
    # shapely's own least rotated rectangle is the judge.
    for land in (ELL, PLATE, NOTCHED):
        (frame,) = frames([land])
        assert frame.long_mm * frame.short_mm == approx(land.minimum_rotated_rectangle.area)


@given(st.floats(0, 360), st.floats(-50, 50), st.floats(-50, 50))
def test_the_frame_of_a_turned_land_is_turned(turn_deg, x_mm, y_mm):
    land = affinity.translate(affinity.rotate(rectangle(0, 0, 1.95, 0.6), turn_deg), x_mm, y_mm)
    (frame,) = frames([land])
    assert (frame.x_mm, frame.y_mm) == approx((x_mm, y_mm), abs=1e-5)
    assert (frame.long_mm, frame.short_mm) == approx((1.95, 0.6), abs=1e-8)
    local = frame.to_local(land)
    assert local.equals_exact(box(-0.975, -0.3, 0.975, 0.3), 1e-5) or local.symmetric_difference(
        box(-0.975, -0.3, 0.975, 0.3)
    ).area == approx(0, abs=1e-4)


def test_the_finest_tip_is_asked_first_so_that_what_no_tip_can_do_is_known_at_once():
    asked: list[float] = []

    def never(finer: FormLimits) -> bool:
        asked.append(finer.bore_mm)
        return False

    assert finer_tip(never, bench(23)) == "no tip of the table could"
    assert asked == [min(size.bore_mm for size in tips())]
