"""Travel over and around blocked areas: never through them, by a check of its own; nothing else changes."""

from dataclasses import replace
from itertools import pairwise
from math import dist

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs
from pytest import approx
from shapely import box

from pastewright.motion.around import ABOVE_MM, Blocked, around
from pastewright.motion.model import Motions, Move, Step
from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile

PROFILE = parse_profile(example_text(DEMO), "bench.toml")
TRAVEL = PROFILE.travel_z_mm
BOARD = PROFILE.bed.board_z_mm


def journey(*places: tuple[float, float]) -> Motions:
    """Raise, then a dot at each place."""
    moves = [_move(Step.RAISE, 0.0, 0.0, TRAVEL)]
    for index, (x, y) in enumerate(places):
        moves += [
            _move(Step.TRAVEL, x, y, TRAVEL, index),
            _move(Step.LOWER, x, y, BOARD + 0.1, index),
            _move(Step.PUSH, x, y, BOARD + 0.1, index),
            _move(Step.LIFT, x, y, TRAVEL, index),
        ]
    return Motions(moves=tuple(moves), sections=((0, "all"),), machine_s=0.0, travel_mm=0.0, swept_ul=0.0)


def _move(step: Step, x: float, y: float, z: float, deposit: int | None = None) -> Move:
    return Move(
        step=step, x_mm=x, y_mm=y, z_mm=z, plunger_mm=0.0, speed_mm_s=10.0, duration_s=0.1, deposit=deposit
    )


def zone(x0=40.0, y0=40.0, x1=60.0, y1=60.0, *, top: float | None = None, margin: float = 2.0) -> Blocked:
    return Blocked(
        name="clamp",
        area=box(x0, y0, x1, y1),
        top_z_mm=None if top is None else BOARD + top,
        margin_mm=margin,
    )


def distance_mm(motions: Motions, area: Blocked) -> float:
    """Least distance of the tip's way from the area, below its top, the first move left out."""
    moves = motions.moves
    free = np.inf
    for before, after in pairwise(moves[1:]):
        low = min(before.z_mm, after.z_mm) < (np.inf if area.top_z_mm is None else area.top_z_mm)
        if low:
            line = shapely.LineString([(before.x_mm, before.y_mm), (after.x_mm, after.y_mm)])
            free = min(free, line.distance(area.area))
    return float(free)


def places_of(motions: Motions) -> list[tuple[float, float]]:
    return [(move.x_mm, move.y_mm) for move in motions.moves if move.step is Step.PUSH]


def test_without_a_crossing_nothing_changes():
    plain = journey((10, 10), (90, 10))
    assert [m.z_mm for m in around(plain, [zone()], PROFILE).moves] == [m.z_mm for m in plain.moves]
    assert around(plain, [], PROFILE) is plain


def test_a_part_lower_than_the_travel_height_is_ignored():
    plain = journey((10, 50), (90, 50))
    low = zone(top=TRAVEL - BOARD - ABOVE_MM - 0.01)
    assert around(plain, [low], PROFILE) is plain


def test_travel_goes_round_an_area_without_a_top_the_shortest_way():
    found = around(journey((10, 50), (90, 50)), [zone(margin=2.0)], PROFILE)
    assert distance_mm(found, zone()) == approx(2.05, abs=0.01)
    ways = [m for m in found.moves if m.step is Step.TRAVEL and m.deposit == 1]
    path = [(10.0, 50.0), *((m.x_mm, m.y_mm) for m in ways)]
    whole = sum(dist(a, b) for a, b in pairwise(path))
    # By hand: to the corner of the margin (38, 62), along it to (62, 62), and on.
    assert whole == approx(2 * dist((10, 50), (37.95, 62.05)) + 24.1, rel=1e-3)
    assert all(m.z_mm == TRAVEL for m in ways)


def test_travel_goes_over_a_part_where_that_is_quicker():
    quick = replace(PROFILE, machine=replace(PROFILE.machine, speed_z_mm_s=100.0, accel_z_mm_s2=5000.0))
    wall = zone(49.0, 1.0, 51.0, 190.0, top=TRAVEL - BOARD + 1)
    found = around(journey((10, 50), (90, 50)), [wall], quick)
    (over,) = [m for m in found.moves if m.step is Step.TRAVEL and m.deposit == 1]
    assert wall.top_z_mm is not None
    assert over.z_mm == approx(wall.top_z_mm + ABOVE_MM)
    assert distance_mm(found, wall) > 1
    assert found.moves[-1].z_mm == TRAVEL


def test_every_deposit_is_still_made_in_its_place_and_order():
    plain = journey((10, 50), (90, 50), (50, 10), (50, 90))
    found = around(plain, [zone(top=30)], PROFILE)
    assert places_of(found) == places_of(plain)
    assert found.machine_s == approx(sum(move.duration_s for move in found.moves))


@settings(max_examples=40)
@given(
    places=st.lists(st.tuples(st.floats(5, 100), st.floats(5, 100)), min_size=2, max_size=8),
    zones=st.lists(
        st.tuples(st.floats(10, 80), st.floats(10, 80), st.floats(1, 15), st.floats(1, 15), st.booleans()),
        min_size=1,
        max_size=3,
    ),
)
def test_no_way_ever_leads_through_an_area(places, zones):
    blocked = [
        zone(x, y, x + w, y + h, top=None if endless else 12.0, margin=1.5) for x, y, w, h, endless in zones
    ]
    try:
        found = around(journey(*places), blocked, PROFILE)
    except InputError:
        # Only a place within an area, or one that areas shut in, has no way.
        union = shapely.union_all([each.area.buffer(2.2, join_style="mitre") for each in blocked])
        assert any(union.intersects(shapely.Point(place)) for place in places)
        return
    assert places_of(found) == [(x, y) for x, y in places]
    for each in blocked:
        assert distance_mm(found, each) > 0


def test_a_place_within_an_area_is_refused():
    with pytest.raises(InputError, match="clamp"):
        around(journey((10, 50), (50, 50)), [zone()], PROFILE)


def test_the_plunger_presses_no_faster_than_planned_where_there_is_a_zone():
    pressed_mm, speed_mm_s = 0.02, 4.0
    moves = list(journey((10.0, 10.0), (90.0, 90.0)).moves)
    way_mm = TRAVEL - (BOARD + 0.1)
    for at, move in enumerate(moves):
        if move.step is Step.LOWER:
            moves[at] = structs.replace(
                move, plunger_mm=moves[at - 1].plunger_mm + pressed_mm, speed_mm_s=speed_mm_s
            )
            moves[at + 1 :] = [
                structs.replace(later, plunger_mm=moves[at].plunger_mm) for later in moves[at + 1 :]
            ]
    plain = replace(journey((10.0, 10.0), (90.0, 90.0)), moves=tuple(moves))
    for top in (None, 30.0):
        found = around(plain, [zone(top=top)], PROFILE)
        lowered = [(a, b) for a, b in pairwise(found.moves) if b.step is Step.LOWER]
        assert len(lowered) == 2
        for before, after in lowered:
            pace = after.speed_mm_s * pressed_mm / (before.z_mm - after.z_mm)
            assert pace <= speed_mm_s * pressed_mm / way_mm * (1 + 1e-9)
