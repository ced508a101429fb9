"""From placement to program and back: the tip goes where the board lies, and the read-back works it out for itself."""

import ast
import copy
import inspect
import json
from dataclasses import replace
from math import cos, radians, sin
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pastewright.motion.model import Step
from pastewright.motion.plan import plan_motions, standoff_mm
from pastewright.place.fiducials.limits import MapLimits
from pastewright.place.fiducials.register import register
from pastewright.place.surface import Mesh, Surface, flat
from pastewright.place.transform import Pair, Placement, Placements, PlaceStep, affine, on_bed
from pastewright.place.tray.document import PlacementFile, fits_board, placement_file_of, placement_record
from pastewright.place.tray.located import located
from pastewright.place.tray.tour import placed_tour
from pastewright.plan.pipeline import finish_plan
from pastewright.problems import InputError
from pastewright.readback import placed
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify
from pastewright.records.placement import placement_of_data, placement_of_text
from pastewright.records.plan import PlacesRecord, plan_of_data
from pastewright.records.reading import record_data, record_text

SCHEMA = json.loads((Path(__file__).resolve().parents[3] / "docs" / "plan.schema.json").read_text("utf-8"))
settings.register_profile("place", deadline=None, max_examples=25)
settings.load_profile("place")


def lying(where, surface):
    return Placements(
        boards=(Placement(name="", steps=(PlaceStep(what="by hand", affine=where),), surface=surface),)
    )


def bowl(where, z_mm, bow_mm):
    """A surface over the 30 × 20 board that rises by `bow_mm` in the middle, on a slight slope."""
    low = where.apply(np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 20.0], [0.0, 20.0]]))
    (x0, y0), (x1, y1) = low.min(axis=0), low.max(axis=0)
    xs, ys = np.linspace(x0, x1, 9), np.linspace(y0, y1, 9)
    u, v = np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9))
    dz = bow_mm * (1 - u**2) * (1 - v**2)
    mesh = Mesh(x_mm=tuple(xs), y_mm=tuple(ys), dz_mm=tuple(map(tuple, dz.tolist())))
    return Surface(z_mm=z_mm, slope_x=0.003, slope_y=-0.002, at_mm=((x0 + x1) / 2, (y0 + y1) / 2), mesh=mesh)


@pytest.fixture(scope="module")
def tilted_plan(prepared, profile):
    true = affine(turn_deg=173.0, scale_x=1.003, scale_y=0.998, skew_deg=0.2, shift_mm=(140.0, 110.0))
    marks = np.array([[3.0, 3.0], [27.0, 4.0], [4.0, 17.0], [28.0, 18.0]])
    pairs = [
        Pair(name=f"F{k}", from_mm=tuple(a), to_mm=tuple(b))
        for k, (a, b) in enumerate(zip(marks.tolist(), true.apply(marks).tolist(), strict=True))
    ]
    found = register(pairs, limits=MapLimits(turned_deg=180))
    board = Placement(name="", steps=(found.step(),), surface=bowl(found.affine, 20.3, 0.25))
    return finish_plan(prepared, profile, placements=Placements(boards=(board,)))


# Motions.


def test_without_a_placement_the_board_lies_in_the_bed_corner(prepared, profile):
    tour = placed_tour(located(prepared.layout, on_bed(profile.bed)), profile)
    plain = plan_motions(prepared.layout, tour, profile)
    told = plan_motions(prepared.layout, tour, profile, on_bed(profile.bed))
    assert plain == told
    lows = [move for move in plain.moves if move.step is Step.LOWER and move.deposit is not None]
    for move in lows:
        points = prepared.layout.deposits[move.deposit].points_mm
        ends = {(x + profile.bed.board_x_mm, y + profile.bed.board_y_mm) for x, y in (points[0], points[-1])}
        assert (move.x_mm, move.y_mm) in ends


@settings(max_examples=6, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(st.floats(-180, 180), st.floats(-8, 8), st.floats(-8, 8))
def test_turning_the_board_turns_the_program(prepared, profile, turn, dx, dy):
    # About the middle of the reach, so that every turn stays within it.
    plain = lying(affine(shift_mm=(100, 100)), flat(20.0))
    turned = lying(affine(turn_deg=turn, shift_mm=(100 + dx, 100 + dy)), flat(20.0))
    tour = placed_tour(located(prepared.layout, plain), profile)
    one, other = (plan_motions(prepared.layout, tour, profile, where) for where in (plain, turned))
    c, s = cos(radians(turn)), sin(radians(turn))
    assert len(one.moves) == len(other.moves)
    for a, b in zip(one.moves, other.moves, strict=True):
        assert (a.step, a.deposit, a.plunger_mm) == (b.step, b.deposit, b.plunger_mm)
        if a.deposit is not None:
            u, v = a.x_mm - 100, a.y_mm - 100
            assert (b.x_mm, b.y_mm) == pytest.approx(
                (100 + dx + c * u - s * v, 100 + dy + s * u + c * v), abs=1e-9
            )
            assert a.z_mm == b.z_mm


def test_the_standoff_follows_the_surface_along_each_bead(prepared, profile):
    where = affine(turn_deg=33, shift_mm=(100, 100))
    surface = bowl(where, 20.1, 0.6)
    placements = lying(where, surface)
    tour = placed_tour(located(prepared.layout, placements), profile)
    motions = plan_motions(prepared.layout, tour, profile, placements)
    beads = 0
    for before, move in zip(motions.moves, motions.moves[1:], strict=False):
        if move.deposit is None or move.step in (Step.TRAVEL, Step.LIFT):
            continue
        gap = standoff_mm(prepared.layout.deposits[move.deposit].height_mm, profile)
        ground = surface.heights_mm(np.array([[move.x_mm, move.y_mm]]))[0]
        # Exact where it comes down; on a bead's legs as close as beads are cut to follow.
        assert move.z_mm - ground == pytest.approx(gap, abs=1e-9 if move.step is Step.LOWER else 0.006)
        if move.step is Step.LAY:
            beads += 1
            shares = np.linspace(0, 1, 21)[:, None]
            way = np.array([before.x_mm, before.y_mm]) + shares * [
                move.x_mm - before.x_mm,
                move.y_mm - before.y_mm,
            ]
            z = before.z_mm + shares[:, 0] * (move.z_mm - before.z_mm)
            assert np.abs(z - surface.heights_mm(way) - gap).max() < 0.006
    assert beads >= 4
    travel = {move.z_mm for move in motions.moves if move.step is Step.TRAVEL}
    assert travel == {max(z for z in travel)} and max(travel) >= 20.6 + profile.bed.clearance_mm


def test_a_stretched_board_has_its_beads_solved_for_their_true_length(prepared, profile):
    wide = lying(affine(scale_x=1.01, scale_y=1.01, shift_mm=(60, 60)), flat(20.0))
    assert not located(prepared.layout, wide).as_drawn
    assert located(prepared.layout, lying(affine(turn_deg=20, shift_mm=(60, 60)), flat(20.0))).as_drawn
    plan = finish_plan(prepared, profile, placements=wide)
    assert plan.verdict.ok, plan.verdict.findings[:3]


# The whole way, verified by separate code.


def test_a_turned_stretched_bowed_board_is_verified(tilted_plan):
    assert tilted_plan.verdict.ok, tilted_plan.verdict.findings[:3]
    jsonschema.validate(record_data(tilted_plan.record), SCHEMA)
    step = tilted_plan.record.placement.boards[0].steps[0]
    assert step.fit == "affine" and len(step.points) == 4
    assert step.turn_deg == pytest.approx(173.0, abs=1e-9)


def test_a_dry_run_of_it_is_verified(prepared, profile, tilted_plan):
    dry = finish_plan(prepared, profile, placements=tilted_plan.placements, dry=True)
    assert dry.verdict.ok, dry.verdict.findings[:3]


@pytest.mark.parametrize("turn", [0.0, 90.0, -137.5])
def test_ngc_programs_of_placed_boards_are_verified(small, ngc, turn):
    from pastewright.plan.pipeline import make_plan

    where = affine(turn_deg=turn, shift_mm=(120, 90))
    plan = make_plan(small, ngc, placements=lying(where, bowl(where, 1.7, 0.2)))
    assert plan.verdict.ok, plan.verdict.findings[:3]


def judged(plan, change):
    document = record_data(plan.record)
    change(document["placement"]["boards"][0])
    return verify(plan.program.text, expected_from_plan(plan_of_data(document)), plan.profile)


def shifted(board, dx=0.0, dz=0.0, dz_mesh=0.0):
    """Move a recorded board consistently: shift, points and all."""
    step = board["steps"][0]
    for point in step["points"]:
        point["to_mm"][0] += dx
    step["shift_mm"][0] += dx
    board["shift_mm"][0] += dx
    board["surface"]["z_mm"] += dz
    rows = board["surface"]["mesh"]["dz_mm"]
    rows[4][4] += dz_mesh


def test_a_program_for_a_board_that_lies_elsewhere_is_not_verified(tilted_plan):
    assert judged(tilted_plan, shifted).ok
    verdict = judged(tilted_plan, lambda board: shifted(board, dx=0.2))
    assert {"wrong place"} <= {finding.kind for finding in verdict.findings}


@pytest.mark.parametrize("dz", [0.2, -0.5])
def test_a_program_for_another_height_is_not_verified(tilted_plan, dz):
    verdict = judged(tilted_plan, lambda board: shifted(board, dz=dz))
    assert "wrong standoff" in {finding.kind for finding in verdict.findings}


def test_a_bow_that_the_program_does_not_follow_is_not_verified(tilted_plan):
    verdict = judged(tilted_plan, lambda board: shifted(board, dz_mesh=-0.6))
    assert "wrong standoff" in {finding.kind for finding in verdict.findings}


BREAKS = [
    (lambda b: b["matrix"][0].__setitem__(1, b["matrix"][0][1] + 1e-4), "its steps put the board"),
    (lambda b: b["shift_mm"].__setitem__(0, b["shift_mm"][0] + 0.01), "its steps put the board"),
    (lambda b: b["steps"][0].update(turn_deg=173.01), "fitted again"),
    (lambda b: b["steps"][0]["points"][2]["to_mm"].__setitem__(0, 0.0), "fitted again"),
    (lambda b: b["steps"][0].update(fit="guess"), '"fit" is "guess"; it must be rigid, similarity or affine'),
    (lambda b: b["steps"][0].pop("mirrored"), '"mirrored" is missing'),
    (lambda b: b.update(steps=[]), '"steps" is '),
    (lambda b: b["surface"].update(z_mm=float("nan")), '"z_mm" is NaN; it must be a number'),
    (lambda b: b["surface"]["mesh"]["dz_mm"].pop(), "a deviation for each crossing"),
    (lambda b: b["surface"]["mesh"]["x_mm"].reverse(), "must rise"),
    (lambda b: b.pop("surface"), '"surface" is missing'),
]


@pytest.mark.parametrize(("change", "says"), BREAKS)
def test_a_placement_that_contradicts_itself_is_refused(tilted_plan, change, says):
    document = record_data(tilted_plan.record)
    change(document["placement"]["boards"][0])
    with pytest.raises(InputError, match=says):
        expected_from_plan(plan_of_data(document))


def leaves(data, path=()):
    """Every place in JSON data, containers among them."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield (*path, key)
        yield from leaves(value, (*path, key))


def as_file(places):
    return {
        "format": 1,
        **{
            name: value
            for name, value in places.items()
            if name not in ("travel_z_mm", "strips", "park_mm", "neighbours", "zones")
        },
    }


ODD: list[Any] = [None, True, "x", -1, 0, 1e308, 10**400, float("inf"), [], {}, [1, 2], [[1]], ["a", "b"]]


@pytest.mark.parametrize("odd", ODD, ids=lambda odd: str(odd)[:12])
def test_no_odd_placement_makes_the_reader_stumble(tilted_plan, odd):
    whole = record_data(tilted_plan.record)
    places = list(leaves(whole["placement"]))
    for path in places[:: 1 + len(places) // 150]:
        placement = copy.deepcopy(whole["placement"])
        inner = placement
        for key in path[:-1]:
            inner = inner[key]
        inner[path[-1]] = odd
        for read in (
            lambda data: expected_from_plan(plan_of_data({**whole, "placement": data})),
            lambda data: placement_file_of(placement_of_data(as_file(data)), file="p.json"),
        ):
            try:
                read(placement)
            except InputError as error:
                assert error.problems


def test_of_a_board_that_was_never_measured_the_profile_decides_where_it_lies(prepared, profile):
    plan = finish_plan(prepared, profile)
    moved = replace(profile, bed=replace(profile.bed, board_x_mm=profile.bed.board_x_mm + 1))
    assert verify(plan.program.text, expected_from_plan(plan.record), profile).ok
    assert not verify(plan.program.text, expected_from_plan(plan.record), moved).ok


def test_the_read_back_works_it_out_with_code_of_its_own():
    tree = ast.parse(inspect.getsource(placed))
    imported = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert not any((name or "").startswith("pastewright.place") for name in imported)


parts = st.fixed_dictionaries(
    {
        "turn_deg": st.floats(-180, 180),
        "mirrored": st.booleans(),
        "scale_x": st.floats(0.99, 1.01),
        "scale_y": st.floats(0.99, 1.01),
        "skew_deg": st.floats(-0.5, 0.5),
        "shift_mm": st.tuples(st.floats(-300, 300), st.floats(-300, 300)),
    }
)


@given(st.lists(parts, min_size=1, max_size=3), st.floats(-0.02, 0.02), st.integers(0, 1000))
def test_both_sides_agree_on_any_transform_and_surface(steps, slope, seed):
    rng = np.random.default_rng(seed)
    xs, ys = np.sort(rng.uniform(-50, 50, 4)), np.sort(rng.uniform(-50, 50, 3))
    if min(np.diff(xs).min(), np.diff(ys).min()) < 1e-3:
        return
    mesh = Mesh(x_mm=tuple(xs), y_mm=tuple(ys), dz_mm=tuple(map(tuple, rng.normal(0, 0.1, (3, 4)).tolist())))
    board = Placement(
        name="B",
        steps=tuple(PlaceStep(what="any", affine=affine(**step)) for step in steps),
        surface=Surface(z_mm=1.5, slope_x=slope, slope_y=-slope / 2, at_mm=(3.0, 4.0), mesh=mesh),
    )
    record = placement_of_text(
        record_text(placement_record(PlacementFile(placements=Placements(boards=(board,)))))
    )
    (again,) = placement_file_of(record, file="p.json").placements.boards
    assert again.surface == board.surface
    assert again.affine.matrix == pytest.approx(board.affine.matrix, abs=1e-12)
    assert again.affine.shift_mm == pytest.approx(board.affine.shift_mm, abs=1e-9)
    problems: list[str] = []
    places = PlacesRecord(boards=record.boards, settle=False, strip_step_mm=0.0, wipe=None, travel_z_mm=1.0)
    tray = placed.tray_of_plan(places, (50.0, 40.0), problems)
    assert problems == []
    at = rng.uniform(-60, 60, (20, 2))
    assert tray.boards[0].to_machine(at) == pytest.approx(board.affine.apply(at), abs=1e-9)
    assert tray.boards[0].ground.heights_mm(at) == pytest.approx(board.surface.heights_mm(at), abs=1e-9)


# The file.


def test_a_placement_for_the_other_side_is_refused_and_for_other_files_told(small):
    where = PlacementFile(placements=lying(affine(), flat(1.0)), board="x", side="bottom", inputs_sha256="1")
    with pytest.raises(InputError, match="bottom side"):
        fits_board(where, small, file="p.json")
    assert "other fabrication files" in fits_board(replace(where, side="top"), small, file="p.json")[0]
    assert fits_board(replace(where, side="top", inputs_sha256="0" * 64), small, file="p.json") == ()


@pytest.mark.parametrize(
    "data",
    [
        [],
        {"format": 2},
        {"format": 1},
        {"format": 1, "boards": []},
        {"format": 1, "boards": [{}]},
        {"format": 1, "boards": [{"name": "", "steps": [{}], "surface": {}, "matrix": [[1, 0], [0, 1]]}]},
    ],
)
def test_files_that_are_no_placement_are_refused(data):
    with pytest.raises(InputError, match=r"must be|missing"):
        placement_of_data(data, file="p.json")
