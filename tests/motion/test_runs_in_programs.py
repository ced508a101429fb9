"""Runs into and out of beads, as the controller sees them: the plunger keeps its own pace in every dialect."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from msgspec import structs
from programs_by_hand import HEADER
from virtual_bench import lay, truth_of

from pastewright.deposit.model import Deposit, DepositKind, Layout, Share
from pastewright.motion.cycles import plan_cycles
from pastewright.motion.dry import dry
from pastewright.motion.levels import levels_of
from pastewright.motion.model import Step
from pastewright.motion.plan import motions_over, plan_motions
from pastewright.place.transform import on_bed
from pastewright.place.tray.located import located
from pastewright.plunger.bench import bench_of
from pastewright.plunger.model import BeadCycle
from pastewright.profile.examples import example_names, example_text
from pastewright.profile.read import parse_profile
from pastewright.program.write import write_program
from pastewright.readback.machine.timeline import timeline
from pastewright.readback.text.interpret import interpret
from pastewright.route.model import Tour, Visit

BEADS = (
    (((6.0, 2.0), (7.5, 2.1)), 0.3),
    (((0.0, 0.0), (3.0, 0.4), (3.0, 1.4), (0.0, 1.0)), 1.4),
)


def runs(motions):
    return [
        (before, move)
        for before, move in pairwise(motions.moves)
        if move.step in (Step.PUSH, Step.RETRACT) and (move.x_mm, move.y_mm) != (before.x_mm, before.y_mm)
    ]


@pytest.mark.parametrize("name", [name for name in example_names() if name != "bench-coarse"])
def test_a_run_takes_the_time_that_its_plunger_needs(board_of: Callable[..., tuple[Layout, Tour]], name):
    profile = parse_profile(example_text(name), name)
    if name == "bench-ngc-linear-u":
        # As fast as this drive can push there is no time for a run.
        profile = replace(profile, tuning=replace(profile.tuning, fastest_push=False))
    layout, tour = board_of(*BEADS)
    # As fast as tuned, whatever push would suit: slow beads on a stiff bench leak so little that they need no run.
    levels = levels_of(layout.deposits, profile)
    levels = replace(levels, pushes=replace(levels.pushes, bead_ul_s=1e6))
    motions = motions_over(located(layout, on_bed(profile.bed)), tour, profile, levels)
    told = runs(motions)
    assert len(told) == 4  # into and out of each bead
    reading = interpret(
        write_program(motions, profile, HEADER, {}).text,
        profile.controller,
        plunger_letter=profile.plunger.letter,
    )
    assert reading.findings == ()
    seen = timeline(reading.table, reading.arcs, profile)
    # Heights are told to 0.001 mm, of lowerings of half a millimetre, in step with the plunger.
    assert seen.over.max() <= 1.002
    places = np.round(seen.end_mm[:, :2], 3)
    for before, move in told:
        from_there = np.abs(seen.start_mm[:, :2] - (before.x_mm, before.y_mm)).max(axis=1) < 2e-3
        to_there = np.abs(places - (move.x_mm, move.y_mm)).max(axis=1) < 2e-3
        (row,) = np.flatnonzero(from_there & to_there)
        # Places are told to 0.001 mm, so that F and what comes of it are good to a percent of a short run.
        assert seen.duration_s[row] == pytest.approx(move.duration_s, rel=0.01)
        assert np.sign(seen.plunger_mm[row + 1] - seen.plunger_mm[row]) == (
            1 if move.step is Step.PUSH else -1
        )


def test_a_dry_run_walks_the_whole_bead_too(board_of: Callable[..., tuple[Layout, Tour]], profile):
    motions = plan_motions(*board_of(*BEADS), profile)
    still = dry(motions, profile)
    assert runs(motions)
    wet_places = {(move.x_mm, move.y_mm) for move in motions.moves}
    assert {(move.x_mm, move.y_mm) for move in still.moves} == wet_places
    assert {move.plunger_mm for move in still.moves} == {0.0}
    for before, move in pairwise(still.moves):
        if (move.x_mm, move.y_mm) != (before.x_mm, before.y_mm):
            assert move.step in (Step.TRAVEL, Step.LAY)
            assert move.speed_mm_s > 0


def test_a_bead_stands_at_its_ends_as_long_as_planned_however_few_microsteps_are_fed_there():
    """A bead of 0.037 µL across three pads, on the example bench whose microstep is 0.0028 µL: 1.8 and 1.4 microsteps are
    fed while the tip stands at its ends. With the time of whole microsteps two such beads of a real board were 9 % short and
    6 % over.
    """
    profile = parse_profile(example_text("bench-reprap-ul-abs"), "")
    bead = Deposit(
        index=0,
        kind=DepositKind.BEAD,
        points_mm=((5.0, 5.0), (6.016, 5.0)),
        volume_ul=0.0374,
        width_mm=0.3,
        height_mm=0.1,
        shares=tuple(Share(pad_id=f"pad {at}", volume_ul=0.0374 / 3) for at in range(3)),
        row_mm=1.524,
    )
    dot = structs.replace(
        bead, index=1, kind=DepositKind.DOT, points_mm=((9.0, 5.0),), shares=bead.shares[:1], row_mm=0.0
    )
    layout = Layout(deposits=(bead, dot), pads=())
    tour = Tour(
        visits=(Visit(deposit=1, backwards=False), Visit(deposit=0, backwards=False)),
        travel_mm=0.0,
        travel_s=0.0,
        bound_s=0.0,
    )
    (_, cycle) = plan_cycles(layout, tour, profile).visits
    assert isinstance(cycle, BeadCycle)
    motions = plan_motions(layout, tour, profile)
    laid = [move for move in motions.moves if move.deposit == 0 and move.step in (Step.PUSH, Step.DWELL)]
    stands = [move.duration_s for move in laid[1:]]  # behind the priming
    wanted = [part / cycle.feed_ul_s for part in (cycle.stand_in_ul, cycle.stand_out_ul) if part > 0]
    assert wanted
    assert stands == pytest.approx(wanted)
    came = lay(motions, truth_of(profile, start_kpa=0.5 * bench_of(profile).rest_kpa)).mean_ul
    assert came[0] == pytest.approx(0.0374, rel=0.01)
