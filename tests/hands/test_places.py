"""Places by name, of a bench and of a real plan."""

import pytest
from demo_plans import plan_of
from guides_played import bench
from msgspec import structs
from pytest import approx

from pastewright.board.model import Side
from pastewright.hands.places import bench_places, find_place, plan_places
from pastewright.problems import InputError
from pastewright.records.placement import StripRecord


def test_places_of_a_bench() -> None:
    places = bench_places(bench().bed)
    assert find_place("park", places).at_mm == (10.0, 200.0)
    assert find_place("STRIP", places).at_mm == (60.0, 45.0)
    assert find_place("12.5, -3", places).at_mm == (12.5, -3.0)
    with pytest.raises(InputError, match="Did you mean park"):
        find_place("perk", places)
    with pytest.raises(InputError, match="--plan"):
        find_place("F1", places)


def test_places_of_a_plan() -> None:
    plan = plan_of(Side.TOP).record
    places = plan_places(plan)
    # The demo board lies at 60, 60 and is 50 × 40 mm; its first fiducial is at 9, 36.6 (demo/layout.py).
    assert find_place("UR", places).at_mm == approx((110.0, 100.0))
    assert find_place("f1", places).at_mm == approx((69.0, 96.6))
    pad = plan.pads[0]
    assert find_place(pad.id, places).at_mm == approx((60 + pad.x_mm, 60 + pad.y_mm))
    assert find_place(pad.id, places).surface_z_mm == approx(20.0)
    # What the plan has chosen counts, not the profile.
    strip = StripRecord(from_mm=(75.0, 56.0), to_mm=(105.0, 56.0))
    chosen = structs.replace(
        plan, placement=structs.replace(plan.placement, strips=(strip,), park_mm=(3.0, 4.0))
    )
    assert find_place("strip", plan_places(chosen)).at_mm == (75.0, 56.0)
    assert find_place("park", plan_places(chosen)).at_mm == (3.0, 4.0)
