"""Dots and beads of a sheet, with their cycles, to motions, program and verdict, through the stages that boards use.

The sheet lies where a board would: its corner is the bed's board corner. Nothing here decides what is laid.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import dist

import numpy as np
from msgspec import structs

from pastewright.deposit.model import Deposit, DepositKind, Layout, Share
from pastewright.deposit.shape import bead_width_mm, dot_width_mm
from pastewright.motion.cycles import Cycles, bead_cycles, late_bench
from pastewright.motion.model import Motions, Move, Step
from pastewright.motion.paths import LENGTH_DIGITS
from pastewright.motion.plan import motions_of
from pastewright.plunger.bench import bench_of
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.settle import Settling
from pastewright.plunger.walk import Walk
from pastewright.profile.model import Profile
from pastewright.profile.off import without_structure
from pastewright.program.model import Header, Program
from pastewright.program.write import write_program
from pastewright.readback.judge.verify import verify
from pastewright.readback.model import Expected, ExpectedDeposit, Verdict
from pastewright.route.model import Tour, Visit
from pastewright.version import __version__

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class DotToLay:
    """A dot: its index is its turn. `pause_s` is waited at the travel height before it."""

    place_mm: Point
    cycle: DotCycle
    pause_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BeadToLay:
    """A bead along a path."""

    path_mm: tuple[Point, ...]
    volume_ul: float
    tip_mm_s: float


SolvedBead = tuple[BeadCycle, Walk, float]  # its cycle, its walk, what is laid standing at its ends [µL]


def sheet_motions(
    things: Sequence[DotToLay | BeadToLay],
    profile: Profile,
    *,
    strip: Settling,
    beads: Sequence[SolvedBead] | None = None,
) -> tuple[Motions, Layout]:
    """Return the journey, the strip and then the things in their order, and the layout it was made of.

    A thing's place in the order is the index of its deposit. `beads` are those of `solved_beads_of`, where they are known.
    Raises `InputError` when a place is out of reach or the barrel too small.
    """
    deposits = _deposits(things, profile)
    tour = Tour(
        visits=tuple(Visit(deposit=deposit.index, backwards=False) for deposit in deposits),
        travel_mm=0.0,
        travel_s=0.0,
        bound_s=0.0,
    )
    next_bead = iter(solved_beads_of(things, profile, strip=strip) if beads is None else beads)
    solved = [
        (thing.cycle, None, 0.0) if isinstance(thing, DotToLay) else next(next_bead) for thing in things
    ]
    cycles = Cycles(
        settling=strip,
        visits=tuple(cycle for cycle, _, _ in solved),
        walks=tuple(walk for _, walk, _ in solved),
        ends_ul=tuple(end for _, _, end in solved),
    )
    pauses = {
        index: thing.pause_s
        for index, thing in enumerate(things)
        if isinstance(thing, DotToLay) and thing.pause_s > 0
    }
    layout = Layout(deposits=deposits, pads=())
    return with_pauses(motions_of(cycles, layout, tour, profile), pauses), layout


def solved_beads_of(
    things: Sequence[DotToLay | BeadToLay], profile: Profile, *, strip: Settling
) -> list[SolvedBead]:
    """Return the beads among things that are laid in this order after the strip. Another order of the dots hardly changes
    them: paste in the barrel is a little more or less stiff.
    """
    deposits = _deposits(things, profile)
    bench = bench_of(profile)
    used = strip.cycle.volume_ul + np.concatenate([[0.0], np.cumsum([d.volume_ul for d in deposits])])
    late = late_bench(bench, float(used[-1]))
    at = [index for index, thing in enumerate(things) if isinstance(thing, BeadToLay)]
    solved = bead_cycles(
        np.array([deposits[index].volume_ul for index in at]),
        [_walk(thing, profile) for thing in things if isinstance(thing, BeadToLay)],
        bench,
        [] if late is None else [(used[at] / used[-1], late)],
    )
    return list(zip(*solved, strict=True))


def _deposits(things: Sequence[DotToLay | BeadToLay], profile: Profile) -> tuple[Deposit, ...]:
    return tuple(
        dot_deposit(index, thing.place_mm, thing.cycle.volume_ul, profile)
        if isinstance(thing, DotToLay)
        else _bead(index, thing, profile)
        for index, thing in enumerate(things)
    )


def with_pauses(motions: Motions, pauses_s: Mapping[int, float]) -> Motions:
    """Return the journey with waits at the travel height, before the tip is lowered to some deposits."""
    moves: list[Move] = []
    begins: list[int] = []
    for move in motions.moves:
        begins.append(len(moves))
        pause = pauses_s.get(move.deposit, 0.0) if move.deposit is not None else 0.0
        if move.step is Step.LOWER and pause > 0:
            up = moves[-1]
            moves.append(
                structs.replace(up, step=Step.DWELL, speed_mm_s=0.0, duration_s=pause, deposit=move.deposit)
            )
        moves.append(move)
    return replace(
        motions,
        moves=tuple(moves),
        sections=tuple((begins[index], heading) for index, heading in motions.sections),
        machine_s=sum(move.duration_s for move in moves),
    )


def sheet_program(name: str, motions: Motions, layout: Layout, profile: Profile) -> Program:
    """Return the sheet's program in the controller's dialect."""
    header = Header(
        board=f"tuning sheet {name}",
        side="top",
        profile=profile.name,
        paste=profile.paste.name,
        tip=f"bore {profile.tip.bore_mm:g} mm, length {profile.tip.length_mm:g} mm",
        paste_ul=sum(deposit.volume_ul for deposit in layout.deposits),
        machine_s=motions.machine_s,
        deposits=len(layout.deposits),
        pads=len(layout.deposits),
        inputs_sha256="",
        profile_sha256=profile.sha256,
        version=__version__,
    )
    labels = {
        deposit.index: f"{deposit.shares[0].pad_id} {deposit.volume_ul:.4f} uL" for deposit in layout.deposits
    }
    return write_program(motions, profile, header, labels)


def sheet_verdict(program: Program, layout: Layout, profile: Profile) -> Verdict:
    """Return what the read-back says of the program: every dose in its place, on the bench as the profile has it, with
    paste that does not stiffen: how it does is what trial dots are to tell.
    """
    expected = Expected(
        deposits=tuple(
            ExpectedDeposit(
                kind=deposit.kind,
                points_mm=deposit.points_mm,
                volume_ul=deposit.volume_ul,
                pad_ids=tuple(share.pad_id for share in deposit.shares),
            )
            for deposit in layout.deposits
        )
    )
    return verify(program.text, expected, without_structure(profile))


def dot_deposit(index: int, place_mm: Point, volume_ul: float, profile: Profile) -> Deposit:
    """Return a dot as boards have them."""
    shape = profile.tuning.dot_shape_ratio
    width = dot_width_mm(volume_ul, shape)
    return _deposit(index, DepositKind.DOT, (place_mm,), volume_ul, width, shape * width)


def _bead(index: int, bead: BeadToLay, profile: Profile) -> Deposit:
    shape = profile.tuning.bead_shape_ratio
    width = bead_width_mm(bead.volume_ul, shape, path_mm=_length(bead.path_mm))
    return _deposit(index, DepositKind.BEAD, bead.path_mm, bead.volume_ul, width, shape * width)


def _deposit(
    index: int,
    kind: DepositKind,
    points: tuple[Point, ...],
    volume_ul: float,
    width_mm: float,
    height_mm: float,
) -> Deposit:
    return Deposit(
        index=index,
        kind=kind,
        points_mm=points,
        volume_ul=volume_ul,
        width_mm=width_mm,
        height_mm=height_mm,
        shares=(Share(pad_id=f"{kind.value} {index}", volume_ul=volume_ul),),
    )


def _length(path: Sequence[Point]) -> float:
    return sum(dist(a, b) for a, b in pairwise(path))


def _walk(bead: BeadToLay, profile: Profile) -> Walk:
    return Walk(
        legs_mm=tuple(round(dist(a, b), LENGTH_DIGITS) for a, b in pairwise(bead.path_mm)),
        speed_mm_s=min(bead.tip_mm_s, profile.machine.speed_xy_mm_s),
        accel_mm_s2=profile.machine.accel_xy_mm_s2,
    )
