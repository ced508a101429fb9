"""Strip, wiping pad, park place and zones: beside every board, by the planner's choice and by the judge's own geometry."""

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from pastewright.job.read import parse_job
from pastewright.motion import aside
from pastewright.place.surface import flat
from pastewright.place.transform import Neighbour, Placement, Placements, PlaceStep, Wipe, affine, corners_mm
from pastewright.plan import pipeline
from pastewright.plan.pipeline import finish_plan, make_plan
from pastewright.plunger.settle import strip_of
from pastewright.problems import InputError
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.rules_places import ROUNDING_MM, _gap
from pastewright.readback.judge.verify import verify
from pastewright.readback.placed import BoardPlace, ReadGround, on_way
from pastewright.records.placement import NeighbourRecord, StripRecord, Zone

SIZE = (30.0, 20.0)


def lying(where, **more):
    board = Placement(name="", steps=(PlaceStep(what="by hand", affine=where),), surface=flat(20.0))
    return Placements(boards=(board,), **more)


def opened(profile):
    return replace(profile, bed=replace(profile.bed, strip_open=True, park_open=True))


def on_the_strip(profile):
    """A placement whose board lies across the strip of the profile."""
    bed = profile.bed
    return lying(affine(shift_mm=(bed.strip_x_mm + 5, bed.strip_y_mm - 10)))


def kinds(verdict):
    return {finding.kind for finding in verdict.findings}


# The planner.


def test_a_strip_that_would_lie_on_the_board_is_refused_with_a_place_that_is_free(profile):
    with pytest.raises(InputError, match=r"the settling strip from .* would touch the board") as caught:
        aside.with_strip(profile, on_the_strip(profile), SIZE)
    words = caught.value.problems[0].mend.split()
    x, y = (float(words[words.index(letter) + 1].rstrip(";")) for letter in "XY")
    mended = replace(profile, bed=replace(profile.bed, strip_x_mm=x, strip_y_mm=y))
    assert aside.with_strip(mended, on_the_strip(profile), SIZE) == mended


def test_where_the_profile_leaves_the_strip_open_a_plan_is_verified_beside_the_board(small, profile):
    plan = make_plan(small, opened(profile), placements=on_the_strip(profile))
    assert plan.verdict.ok, plan.verdict.findings[:3]
    (strip,) = plan.record.placement.strips
    assert strip.from_mm != (profile.bed.strip_x_mm, profile.bed.strip_y_mm)
    # Read back with the file's profile, which does not know the place.
    assert verify(plan.program.text, expected_from_plan(plan.record), opened(profile)).ok


@settings(max_examples=15, deadline=None)
@given(
    turn=st.floats(-180, 180),
    x=st.floats(70, 150),
    y=st.floats(70, 150),
    more=st.lists(st.tuples(st.floats(20, 180), st.floats(20, 180)), max_size=3),
    step=st.floats(-4, 4),
)
def test_a_chosen_strip_is_on_the_machine_and_clear_of_all_that_lies_there(profile, turn, x, y, more, step):
    where = lying(affine(turn_deg=turn, shift_mm=(x, y)))
    others = tuple(
        Neighbour(name=str(k), corners_mm=tuple(map(tuple, corners_mm(SIZE, affine(shift_mm=at)).tolist())))
        for k, at in enumerate(more)
    )
    boards = (where.boards[0], replace(where.boards[0], name="again"))
    where = replace(where, boards=boards, neighbours=others, settle=True, strip_step_mm=step)
    here = aside.with_strip(opened(profile), where, SIZE)
    half = aside.strip_width_mm(strip_of(here), here) / 2
    corners = [corners_mm(SIZE, where.boards[0].affine), *(np.array(other.corners_mm) for other in others)]
    for a, b in aside.strips_mm(here, where):
        along = np.linspace(a, b, 60)
        assert (along >= (profile.machine.x_min_mm, profile.machine.y_min_mm)).all()
        assert (along <= (profile.machine.x_max_mm, profile.machine.y_max_mm)).all()
        for four in corners:
            # Nearest distance of many points of the line to many points of the board's edge.
            edge = np.concatenate(
                [np.linspace(p, q, 60) for p, q in zip(four, np.roll(four, -1, 0), strict=True)]
            )
            gaps = np.hypot(*(along[:, None, :] - edge[None, :, :]).transpose(2, 0, 1))
            assert gaps.min() >= half + aside.CHOSEN_CLEAR_MM - 1e-6


def test_a_machine_full_of_boards_has_no_place_for_a_strip(profile):
    full = Neighbour(
        name="panel", corners_mm=((-50.0, -50.0), (500.0, -50.0), (500.0, 500.0), (-50.0, 500.0))
    )
    with pytest.raises(InputError, match="no place is left for the settling strip"):
        aside.with_strip(opened(profile), lying(affine(shift_mm=(60, 60)), neighbours=(full,)), SIZE)


def test_a_wiping_pad_or_park_place_on_a_board_is_refused(profile):
    where = lying(affine(shift_mm=(100, 100)), wipe=Wipe(from_mm=(90, 110), to_mm=(110, 110), z_mm=20.1))
    with pytest.raises(InputError, match=r"the wiping pad from .* would touch the board"):
        aside.with_strip(profile, where, SIZE)
    parked = replace(profile, bed=replace(profile.bed, park_x_mm=110, park_y_mm=110))
    with pytest.raises(InputError, match=r"the park place .* is over the board"):
        aside.with_strip(parked, lying(affine(shift_mm=(100, 100))), SIZE)


def test_a_strip_is_kept_out_of_the_zones_of_a_job(small, profile):
    bed = profile.bed
    text = "[[zone]]\nname = 'clamp'\nx_from_mm = {}\nx_to_mm = {}\ny_from_mm = {}\ny_to_mm = {}\nheight_mm = 1\n"
    x, y = bed.strip_x_mm - bed.board_x_mm, bed.strip_y_mm - bed.board_y_mm
    job = parse_job(text.format(x + 2, x + 8, y - 4, y + 4), "job.toml")
    with pytest.raises(InputError, match="would touch the zone 'clamp'"):
        make_plan(small, profile, job=job)
    plan = make_plan(small, opened(profile), job=job)
    assert plan.verdict.ok, plan.verdict.findings[:3]
    assert [zone.name for zone in plan.record.placement.zones] == ["clamp"]


# The judge.


def blind(monkeypatch):
    """Let the planner write whatever the profile says, so that only the judge is left."""
    monkeypatch.setattr(pipeline, "with_strip", lambda profile, *_: profile)


@pytest.mark.parametrize("dry", [False, True])
def test_the_judge_finds_a_strip_on_the_board_by_itself(prepared, profile, monkeypatch, dry):
    blind(monkeypatch)
    plan = finish_plan(prepared, profile, placements=on_the_strip(profile), dry=dry)
    assert "paste or tip where a board lies" in kinds(plan.verdict)


def test_the_judge_does_not_take_the_plans_word_for_where_a_strip_is(prepared, profile, monkeypatch):
    blind(monkeypatch)
    plan = finish_plan(prepared, profile, placements=on_the_strip(profile))
    away = (StripRecord(from_mm=(5.0, 5.0), to_mm=(25.0, 5.0)),)
    record = structs.replace(plan.record, placement=structs.replace(plan.record.placement, strips=away))
    assert {"stray paste", "low travel"} & kinds(
        verify(plan.program.text, expected_from_plan(record), profile)
    )


def judged(plan, **change):
    placement = structs.replace(plan.record.placement, **change)
    record = structs.replace(plan.record, placement=placement)
    return verify(plan.program.text, expected_from_plan(record), plan.profile)


@pytest.fixture(scope="module")
def plain(prepared, profile):
    plan = finish_plan(prepared, profile)
    assert plan.verdict.ok
    return plan


def square(x, y, side=4.0):
    return ((x, y), (x + side, y), (x + side, y + side), (x, y + side))


def test_the_judge_finds_a_neighbour_under_strip_or_park_place(plain):
    bed = plain.profile.bed
    for x, y in ((bed.strip_x_mm + 3, bed.strip_y_mm - 2), (bed.park_x_mm - 2, bed.park_y_mm - 2)):
        found = judged(plain, neighbours=(NeighbourRecord(name="9", corners_mm=square(x, y)),))
        assert "paste or tip where a board lies" in kinds(found)
        assert any("board 9" in finding.what for finding in found.findings)
    assert judged(plain, neighbours=(NeighbourRecord(name="9", corners_mm=square(2, 2)),)).ok


def test_the_judge_finds_travel_through_a_zone_below_its_top_and_none_above_it(plain):
    box: dict[str, Any] = {
        "name": "post",
        "x_from_mm": 10.0,
        "x_to_mm": 20.0,
        "y_from_mm": 5.0,
        "y_to_mm": 15.0,
    }
    clearance = plain.profile.bed.clearance_mm
    for height, bad in ((None, True), (clearance + 0.5, True), (-20.0, False)):
        found = judged(plain, zones=(Zone(**box, height_mm=height),))
        assert ("in a keep-out zone" in kinds(found)) is bad
    elsewhere = {**box, "x_from_mm": 300.0, "x_to_mm": 310.0}
    assert judged(plain, zones=(Zone(**elsewhere, height_mm=None),)).ok


SKIPPED = ((45.0, 140.0), (75.0, 140.0), (75.0, 160.0), (45.0, 160.0))
"""On the straight way from a board at (100, 100) to the park place at (10, 200), and marked bad."""


def over_the_skipped_board(program, box):
    """Heights at which the tip is over a box (x0, x1, y0, y1), by the program's own words, looked at each 0.1 mm."""
    here, heights = [0.0, 0.0, 0.0], []
    for line in program.splitlines():
        words = dict(re.findall(r"([XYZ])([-\d.]+)", line.split(";")[0]))
        if not line.startswith(("G0", "G1")) or not words:
            continue
        there = [float(words.get(letter, value)) for letter, value in zip("XYZ", here, strict=True)]
        steps = max(int(np.hypot(there[0] - here[0], there[1] - here[1]) / 0.1), 1)
        for x, y, z in np.linspace(here, there, steps + 1):
            if box[0] < x < box[1] and box[2] < y < box[3]:
                heights.append(z)
        here = there
    return heights


@pytest.mark.parametrize("height", [8.0, None], ids=["with a top", "without a top"])
def test_what_stands_on_a_board_stands_there_also_where_the_board_is_skipped(small, profile, height):
    where = lying(affine(shift_mm=(100, 100)), neighbours=(Neighbour(name="bad", corners_mm=SKIPPED),))
    text = "[[zone]]\nname = 'coil'\nx_from_mm = 2\nx_to_mm = 28\ny_from_mm = 17\ny_to_mm = 19\nmargin_mm = 0.1\n"
    job = parse_job(text + ("" if height is None else f"height_mm = {height}\n"), "job.toml")
    plan = make_plan(small, profile, placements=where, job=job)
    assert plan.verdict.ok, plan.verdict.findings[:3]
    box = (47.0, 73.0, 157.0, 159.0)
    heights = over_the_skipped_board(plan.program.text, box)
    assert all(height is not None and z >= 20.0 + height for z in heights)
    # Without the board there, or what stands on it, the way is straight, and the judge knows.
    plain = make_plan(small, profile, placements=lying(affine(shift_mm=(100, 100))))
    assert min(over_the_skipped_board(plain.program.text, box)) == 22.0
    there = judged(
        plain,
        neighbours=(NeighbourRecord(name="bad", corners_mm=SKIPPED),),
        zones=plan.record.placement.zones,
    )
    assert "in a keep-out zone" in kinds(there)


def test_ways_keep_the_clearance_above_a_higher_board_that_is_not_in_the_program(small, profile):
    other = Neighbour(name="2", corners_mm=SKIPPED, highest_mm=21.5)
    where = lying(affine(shift_mm=(100, 100)), neighbours=(other,))
    plan = make_plan(small, profile, placements=where)
    assert plan.verdict.ok, plan.verdict.findings[:3]
    assert min(over_the_skipped_board(plan.program.text, (45.0, 75.0, 140.0, 160.0))) == 23.5
    plain = make_plan(small, profile, placements=lying(affine(shift_mm=(100, 100))))
    higher = (NeighbourRecord(name="2", corners_mm=SKIPPED, highest_mm=21.5),)
    assert "low travel" in kinds(judged(plain, neighbours=higher))


coordinates = st.tuples(st.floats(-20, 20), st.floats(-20, 20))


@given(a=coordinates, b=coordinates, half=st.floats(0, 3), turn=st.floats(0, 360), at=coordinates)
def test_own_gap_tells_touching_from_apart_as_an_independent_library_does(a, b, half, turn, at):
    four = corners_mm((8.0, 5.0), affine(turn_deg=turn, shift_mm=at))
    line = shapely.LineString([a, b])
    if line.length < 0.01:
        return
    band = line.buffer(half, cap_style="flat") if half > 0.01 else line
    overlap = (
        band.intersects(shapely.Polygon(four)) if half > 0.01 else line.intersects(shapely.Polygon(four))
    )
    gap = _gap((a, b), half if half > 0.01 else 0.0, four)
    if gap > 1e-6:
        assert not overlap
    # The band of the judge has square ends, half its width longer: it may only touch earlier.
    if overlap:
        assert gap <= 1e-6


@given(a=coordinates, b=coordinates, turn=st.floats(0, 360), at=coordinates)
def test_own_way_through_a_zone_is_that_of_an_independent_library(a, b, turn, at):
    place = affine(turn_deg=turn, shift_mm=at)
    board = BoardPlace(
        name="",
        matrix=place.matrix,
        shift_mm=np.array(place.shift_mm),
        size_mm=SIZE,
        ground=ReadGround(z_mm=0.0),
    )
    low, high = (2.0, 1.0), (9.0, 6.0)
    area = shapely.transform(shapely.box(2.0, 1.0, 9.0, 6.0), place.apply)
    got = bool(on_way(low, high, board, np.array([a]), np.array([b]), less_mm=ROUNDING_MM)[0])
    line = shapely.LineString([a, b])
    if area.buffer(-0.01).intersects(line):
        assert got
    if not area.buffer(0.01).intersects(line):
        assert not got
