"""Boards whose place and height are looked for on a random bench: marks found by hand, heights felt by a probe.

What a person does by keys is not judged, but all that the machine does by itself between. As plain numbers for `danger_air`.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import cos, inf, radians, sin
from types import SimpleNamespace
from typing import Any

import numpy as np
from danger_air import HAND_MM, Probe, flown, ground
from danger_judge import Hurt, Lying, Scene
from danger_scenes import (
    KINDS,
    bench_of,
    job_text,
    lying_of,
    mesh_of,
    pads_of,
    read_side,
    toml_of,
    zones_among,
)

from pastewright.board.model import Board, Side
from pastewright.hands.finding import feel_heights
from pastewright.hands.guide import Act, Confirm, Feel, Guide, Steer
from pastewright.hands.moves import Spot, after
from pastewright.hands.reach import reach_of
from pastewright.job.model import Job
from pastewright.job.read import parse_job
from pastewright.link.bench import bench_of as bench_words
from pastewright.link.bench import plunger_units_per_mm
from pastewright.link.hand import lines_of
from pastewright.place.height.probe import Probing, probing
from pastewright.place.transform import Affine, on_bed
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile
from pastewright.program.probing import probing_program
from pastewright.work.machine.boards import found_among
from pastewright.work.machine.standing import AT_STOP_MM, LOOSE_MM, StandingParts


@dataclass(frozen=True, kw_only=True)
class Looked:
    """A board to be looked for: what is true, and what the commands are given."""

    scene: Scene
    probe: Probe
    profile: Profile
    board: Board
    job: Job
    words: str


def looked_for(seed: int) -> tuple[Looked, random.Random]:
    """A random bench with a board that lies turned, tilted and bowed, and a probe at the tip or beside it."""
    rng = random.Random(seed)
    bench = bench_of(rng, KINDS[seed % len(KINDS)])
    hangs = rng.choice([0.0, 0.0, 3.0, 9.0])
    probe = Probe()
    if hangs:
        probe = Probe(x=round(rng.uniform(-25, 25), 2), y=round(rng.uniform(-25, 25), 2), hangs=hangs)
    bench["probe"] = {
        "offset_x_mm": probe.x, "offset_y_mm": probe.y, "offset_z_mm": probe.hangs, "below_mm": 1.0,
    }  # fmt: skip
    if bench["controller"]["dialect"] == "reprap" and rng.random() < 0.3:
        bench["probe"]["word"] = "G30"
    size = (float(rng.randrange(20, 40)), float(rng.randrange(18, 34)))
    pads = pads_of(rng, size)
    marks = ((2.0, 2.0), (size[0] - 2.0, size[1] - 2.0), (2.0, size[1] - 2.0))
    board = read_side(size, pads, marks, Side.TOP)
    zones = zones_among(rng, size, bench)
    there = lying_of(rng, bench, size, (60.0, 70.0), turn_deg=rng.uniform(-180, 180), level=False)
    scene = Scene(bench=bench, size=size, pads=pads, marks=marks, zones=zones, boards=(there,))
    return Looked(
        scene=scene,
        probe=probe,
        profile=parse_profile(toml_of(bench), "bench.toml"),
        board=board,
        job=parse_job(job_text(zones), "job.toml"),
        words=f"seed {seed}: {KINDS[seed % len(KINDS)]}, {len(zones)} zones, {probe}",
    ), rng


def journey_of(one: Looked) -> Probing:
    """The journey over the board where it lies, its height known from before; raises `InputError` where none is found."""
    (there,) = one.scene.boards
    return probing(
        one.board,
        affine_of(there),
        one.profile,
        columns=4,
        rows=3,
        zones=one.job.zones,
        surface=mesh_of(there, one.scene.size),
    )


def affine_of(there: Lying) -> Affine:
    """The map of a board that lies somewhere."""
    (a, b), (c, d) = there.matrix.tolist()
    return Affine(xx=a, xy=b, yx=c, yy=d, x_mm=float(there.shift[0]), y_mm=float(there.shift[1]))


def program_of(one: Looked) -> str:
    """The probing program."""
    return probing_program(journey_of(one), one.profile, board="greenhouse").text


class Watched:
    """A session whose moves are judged as they go out; a person steers onto what is truly there."""

    def __init__(self, one: Looked, at: Spot, *, least_gap: float | None = None) -> None:
        self.profile, self._one, self._least_gap = one.profile, one, least_gap
        self.hand: Any = SimpleNamespace(at=at, reach=lambda: reach_of(one.profile))
        self._marks = self._true_marks()
        self.hurt: list[Hurt] = []
        self.touched = 0

    def _true_marks(self) -> Iterator[tuple[float, float]]:
        (there,) = self._one.scene.boards
        for mark in self._one.scene.marks:
            x, y = there.matrix @ np.array(mark) + there.shift
            yield float(x), float(y)

    def play(self, guide: Guide[Any]) -> Any:
        """Carry out a guide; every line that the machine gets is judged."""
        answer: Any = None
        try:
            while True:
                answer = self._answer(guide.send(answer))
        except StopIteration as end:
            return end.value

    def _answer(self, request: Any) -> Any:
        if isinstance(request, Confirm):
            return True
        if isinstance(request, Act):
            lines = lines_of(
                request.moves,
                bench_words(self.profile),
                units_per_mm=plunger_units_per_mm(self.profile),
            )
            at = self._judged("\n".join(lines))
            for move in request.moves:
                self.hand.at = after(self.hand.at, move)
            assert np.allclose(at, self._place(), atol=1e-3)
            return self.hand.at
        if isinstance(request, Feel):
            x, y, z = self._judged(f"G38.2 Z{request.low_mm}")
            self.touched += 1
            self.hand.at = Spot(x_mm=x, y_mm=y, z_mm=z)
            return self.hand.at
        if isinstance(request, Steer):
            x, y = next(self._marks)
            under, _ = ground(np.array([[x, y]]), self._one.scene)
            # Low onto the mark where nothing stands on it; else a person looks from where the tip is.
            low = float(under[0]) + 0.05
            z = low if self.hand.at.z_mm < low + 2.0 else self.hand.at.z_mm
            self.hand.at = Spot(x_mm=x, y_mm=y, z_mm=max(z, reach_of(self.profile).range_mm("Z")[0]))
            return self.hand.at
        return None

    def _place(self) -> tuple[float, float, float]:
        return self.hand.at.x_mm, self.hand.at.y_mm, self.hand.at.z_mm

    def _judged(self, text: str) -> tuple[float, float, float]:
        probe = self._one.probe if self._least_gap is None else Probe()
        hurt, at, _ = flown(text, self._one.scene, probe, start=self._place(), least_gap=self._least_gap)
        self.hurt.append(hurt)
        return at


def felt(one: Looked, at: Spot) -> Watched:
    """The heights of a board felt by the machine's own hands, from where the tip is."""
    watched = Watched(one, at)
    watched.play(feel_heights(journey_of(one), one.profile, at))
    return watched


def marks_found(one: Looked, rng: random.Random, *, at_stop: bool) -> Watched:
    """The marks of a board found by hand: it lies level about where the bench has it, or where its plan has it.

    It may lie as far off as the commands promise to bear.
    """
    off_mm = (AT_STOP_MM if at_stop else LOOSE_MM) * 0.98
    (there,) = one.scene.boards
    if at_stop:
        believed, surface, board = affine_of(there), mesh_of(there, one.scene.size), there
    else:
        bed = one.scene.bench["bed"]
        board = Lying(
            matrix=np.eye(2),
            shift=np.array([bed["board_x_mm"], bed["board_y_mm"]]),
            z=bed["board_z_mm"] + rng.uniform(-0.2, 0.2),
        )
        believed, surface = on_bed(one.profile.bed).boards[0].affine, None
    true = _moved(board, one.scene.size, off_mm, rng)
    one = replace(one, scene=replace(one.scene, boards=(true,)))
    high = one.scene.bench["machine"]["z_max_mm"]
    start = Spot(x_mm=rng.uniform(0, 250), y_mm=rng.uniform(0, 250), z_mm=high)
    watched = Watched(one, start, least_gap=HAND_MM)
    names = {f"F{number}": mark for number, mark in enumerate(one.scene.marks, 1)}
    standing = StandingParts(
        zones=one.job.zones,
        size_mm=one.scene.size,
        surface=surface,
        loose_mm=AT_STOP_MM if at_stop else LOOSE_MM,
    )
    travel = one.scene.tops() + one.scene.bench["bed"]["clearance_mm"] if at_stop else -inf
    found_among(watched, names, believed, standing, by_camera=False, travel_z_mm=travel)  # type: ignore[arg-type]
    return watched


def _moved(board: Lying, size: tuple[float, float], off_mm: float, rng: random.Random) -> Lying:
    """A board turned and shifted so that none of its places is further off than that."""
    corners = np.array([(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1])])
    turn = radians(rng.uniform(-2.5, 2.5))
    matrix = np.array([[cos(turn), -sin(turn)], [sin(turn), cos(turn)]]) @ board.matrix
    by = np.array([rng.uniform(-1, 1), rng.uniform(-1, 1)])
    for part in np.linspace(off_mm, 0, 50):
        shift = board.shift + part * by
        far = corners @ (matrix - board.matrix).T + shift - board.shift
        if np.hypot(*far.T).max() <= off_mm:
            return replace(board, matrix=matrix, shift=shift)
    return replace(board, shift=board.shift + off_mm / 1.5 * by)
