"""What a person's next command may move, for the judge of dangers: a touch-up, a witness row, a stop and what follows it.

Each is a text as a controller gets it, with the scene in which it runs, the paste that stands there already, and what is
wanted of it.
"""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace

from danger_judge import Heap, Scene, followed
from inspections_by_hand import MISSING, inspected

from pastewright.hands.moves import Move, Spot, after
from pastewright.hands.reach import reach_of
from pastewright.learn.row import witness_row
from pastewright.link.bench import bench_of, plunger_units_per_mm, stop_lines
from pastewright.link.drawn_back import given_back
from pastewright.link.hand import lines_of
from pastewright.link.job import ProgramJob, ProgramPart, read_job
from pastewright.link.left_out import chosen, height_of_ways_mm, in_air
from pastewright.link.weave import Shift, woven
from pastewright.link.words import Scan
from pastewright.plan.pipeline import Plan
from pastewright.problems import InputError
from pastewright.profile.model import Profile
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify
from pastewright.records.plan import PlanRecord, plan_text
from pastewright.touchup.plan import touch_up
from pastewright.work.machine.work import around
from pastewright.work.running.beginning import ways_round
from pastewright.work.running.witness import witness_of

Wanted = Callable[[int, int], bool | None]
SAME_MM = 0.02
"""A pad of the plan is the scene's where their middles are so near: files have six decimals, plans four."""
HAND_GOES = 5


@dataclass(frozen=True, kw_only=True)
class Next:
    """A text to be judged; `ok` is what pastewright's own read-back says of it, where it has one."""

    name: str
    text: str
    scene: Scene
    standing: tuple[Heap, ...] = ()
    wanted: Wanted = lambda _board, _pad: True
    ok: bool = True


def scene_pads(plan: PlanRecord, scene: Scene) -> dict[str, int]:
    """The numbers of the scene's pads by the plan's ids."""
    found = {}
    for pad in plan.pads:
        for index, one in enumerate(scene.pads):
            if abs(one.x - pad.x_mm) < SAME_MM and abs(one.y - pad.y_mm) < SAME_MM:
                found[pad.id] = index
    return found


def touched_up(plan: Plan, scene: Scene, rng: random.Random) -> Next:
    """A touch-up of a board on which some pads were missed; of a row all or none, of which the judge knows one heap.

    Of a tray one board is touched up, among the others, which are pasted.
    """
    numbers = scene_pads(plan.record, scene)
    boards = plan.record.placement.boards
    name = rng.choice(boards).name if len(boards) > 1 else ""
    here = int(name) if name else next(k for k, one in enumerate(scene.boards) if one.pasted)
    laid = [pad.id for pad in plan.record.pads if pad.deposits and pad.board == name]
    rows = {scene.pads[numbers[name]].row for name in laid if rng.random() < 0.3}
    missed = {
        name
        for name in laid
        if (scene.pads[numbers[name]].row in rows if scene.pads[numbers[name]].row else rng.random() < 0.3)
    } or set(laid[:1])
    if row := scene.pads[numbers[min(missed)]].row:
        missed |= {name for name in laid if scene.pads[numbers[name]].row == row}
    made = touch_up(
        plan.record, inspected(plan.record, dict.fromkeys(missed, (MISSING, 0.0, False)), name), plan.profile
    )
    gone = {numbers[name] for name in missed}
    added = {numbers[pad.id] for pad in made.record.pads if pad.deposits}
    _, heaps = followed(plan.program.text, scene)
    return Next(
        name=f"touch-up of {len(missed)}",
        text=made.program.text,
        scene=replace(scene, strips=1),
        standing=tuple(heap for heap in heaps if heap.board != here or not heap.pads & gone),
        wanted=lambda board, pad: board == here and pad in added,
        ok=made.verdict.ok,
    )


def with_row(plan: Plan, scene: Scene) -> Next:
    """The program with a witness row before its board, as a batch sends it."""
    strip = plan.record.placement.strips[0]
    bed = replace(
        plan.profile.bed,
        strip_x_mm=strip.from_mm[0],
        strip_y_mm=strip.from_mm[1],
    )
    here = replace(plan.profile, bed=bed)
    row = witness_row(here)
    shift = Shift(y_mm=-1.5)
    job = read_job(plan.program.text, plan.record)
    text, record = woven(
        plan.program.text,
        plan.record,
        job,
        strip=shift,
        board=Shift(),
        witness=witness_of(here, shift, travel_z_mm=height_of_ways_mm(job, here.travel_z_mm)),
        board_at_mm=(bed.board_x_mm, bed.board_y_mm),
        speed_xy_mm_s=here.machine.speed_xy_mm_s,
    )
    aside = replace(here, bed=replace(bed, strip_y_mm=bed.strip_y_mm - 1.5))
    dots = tuple(
        (dot.x_mm + bed.board_x_mm, dot.y_mm + bed.board_y_mm - 1.5, dot.dose_ul) for dot in row.record.dots
    )
    bench = {**scene.bench, "bed": {**scene.bench["bed"], "strip_y_mm": bed.strip_y_mm - 1.5}}
    return Next(
        name="witness row",
        text=text,
        scene=replace(scene, bench=bench, dots=dots),
        ok=verify(text, expected_from_plan(record), aside).ok,
    )


def stopped(plan: Plan, scene: Scene, rng: random.Random) -> Next:
    """A run stopped in a deposit, some ways by hand, and the rest laid by a run of its own."""
    job = read_job(plan.program.text, plan.record)
    profile = plan.profile
    bench = bench_of(profile)
    bench = replace(bench, travel_z_mm=height_of_ways_mm(job, bench.travel_z_mm))
    deposits = [block for block in job.blocks if block.part is ProgramPart.DEPOSIT]
    broken = rng.choice(deposits)
    at = job.blocks.index(broken)
    cut = rng.randrange(1, len(broken.lines) + 1)
    lines = [line for block in job.blocks[:at] for line in block.lines] + list(broken.lines[:cut])
    scan = Scan(job.letter, broken.before)
    for line in broken.lines[:cut]:
        scan.line(line)
    place = scan.place
    lines += stop_lines(
        bench,
        z_mm=place["Z"],
        plunger=place[job.letter],
        back_to=broken.before.place[job.letter],
        retraction=0.0,
        dry=False,
    )
    spot = Spot(x_mm=place["X"], y_mm=place["Y"], z_mm=max(place["Z"], bench.travel_z_mm))
    moves, spot = hand_ways(plan.record, profile, spot, rng)
    moves += ways_round(spot, job, plan.record, profile)
    lines += lines_of(moves, bench, units_per_mm=plunger_units_per_mm(profile))
    left = {block.deposit for block in deposits[deposits.index(broken) + 1 :] if block.deposit is not None}
    lines += [line for block in given_back(chosen(job, left), job.letter, bench) for line in block.lines]
    numbers = scene_pads(plan.record, scene)
    doubtful = {
        numbers[name]
        for laid in job.deposits
        if laid.id == broken.deposit
        for name in laid.pads
        if name in numbers
    }
    return Next(
        name=f"stopped in deposit {deposits.index(broken)}, line {cut}",
        text="\n".join(lines) + "\n",
        scene=scene,
        wanted=lambda _board, pad: None if pad in doubtful else True,
    )


def hand_ways(plan: PlanRecord, profile: Profile, at: Spot, rng: random.Random) -> tuple[list[Move], Spot]:
    """The moves of `machine to PLACE --plan`, one place after another; places that are refused are left out."""
    with TemporaryDirectory() as folder:
        file = Path(folder) / "plan.json"
        file.write_text(plan_text(plan), encoding="utf-8")
        session = SimpleNamespace(
            profile=profile, hand=SimpleNamespace(at=at, reach=lambda: reach_of(profile))
        )
        there = around(session, file)  # type: ignore[arg-type]  # of a session it takes no more than that
    moves: list[Move] = []
    for name in rng.choices(sorted(there.places), k=HAND_GOES):
        place = there.places[name]
        down_to_mm = None
        if place.surface_z_mm is not None and rng.random() < 0.5:
            down_to_mm = place.surface_z_mm + 1.0
        try:
            way = there.way(session, place.at_mm, down_to_mm)  # type: ignore[arg-type]
        except InputError:
            continue
        moves += way
        for move in way:
            session.hand.at = after(session.hand.at, move)
    return moves, session.hand.at


def some(plan: Plan, scene: Scene, rng: random.Random) -> Next:
    """A run of some deposits."""
    job = read_job(plan.program.text, plan.record)
    numbers = scene_pads(plan.record, scene)
    # What is thrown away on the card in the middle of the board has no pad, and nobody asks for it.
    ids = [laid.id for laid in job.deposits if all(name in numbers for name in laid.pads)]
    picked = set(rng.sample(ids, max(1, len(ids) // 3)))
    whole = _pads_of(job, picked)
    part = _pads_of(job, set(ids) - picked)
    given = {numbers[name] for name in whole - part}
    either = {numbers[name] for name in whole & part}
    return Next(
        name=f"{len(picked)} of {len(ids)} deposits",
        text="\n".join(line for block in chosen(job, picked) for line in block.lines) + "\n",
        scene=scene,
        wanted=lambda _board, pad: None if pad in either else pad in given,
    )


def _pads_of(job: ProgramJob, ids: set[int]) -> set[str]:
    return {name for laid in job.deposits if laid.id in ids for name in laid.pads}


def dry(plan: Plan, scene: Scene) -> Next:
    """A run in the air."""
    job = in_air(read_job(plan.program.text, plan.record), bench_of(plan.profile).travel_z_mm)
    return Next(
        name="dry",
        text="\n".join(line for block in job.blocks for line in block.lines) + "\n",
        scene=scene,
        wanted=lambda _board, _pad: False,
    )


def nexts(plan: Plan, scene: Scene, rng: random.Random) -> Iterator[Next]:
    """All that may come after a plan; of several boards in one program the run in the air, and a touch-up of one of them."""
    yield dry(plan, scene)
    yield touched_up(plan, scene, rng)
    if sum(board.pasted for board in scene.boards) > 1:
        return
    yield with_row(plan, scene)
    yield some(plan, scene, rng)
    yield stopped(plan, scene, rng)
