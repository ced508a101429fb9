"""A batch on the bench written apart: paste that loses its body, a bubble at a refill, a gain that drifts, photos that
scatter; learned from board to board, or not."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from virtual_bench import Laid, Truth, lay

from pastewright.learn.belief import Belief, aged
from pastewright.learn.row import WitnessRow, witness_row
from pastewright.learn.update import Learned, RowAnswer, RowOfDots, learned
from pastewright.motion.model import Motions, Step
from pastewright.profile.model import Profile
from pastewright.tune.fit.constants import constants_of, with_constants
from pastewright.tune.fit.model import setting_of
from pastewright.tune.fit.strokes import turns_of
from pastewright.tune.record.measurements import DotReading, DotState

# A photo's errors: of each diameter by itself, and of all diameters of one photo.
DOT_OFF, PHOTO_OFF = 0.03, 0.01


@dataclass(frozen=True, kw_only=True)
class Planned:
    """A board as planned with some constants: journey, doses, and how far it would be off with others."""

    motions: Motions
    doses_ul: Mapping[int, float]
    change_of: Callable[[Mapping[str, float]], float]


@dataclass(frozen=True, kw_only=True)
class Batch:
    """What is done: how many boards, what drifts by its end, before which boards paste is filled in, false readings."""

    boards: int = 30
    consistency: float = -0.15
    gain: float = 0.02
    refills: tuple[int, ...] = (16,)
    bubble_ul: float = 3.0
    false_at: "Mapping[int, FalseReading]" = field(default_factory=dict)
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class BoardTold:
    """One board: 95th percentile and mean of its deposits' errors [-], and what its row taught."""

    number: int
    error_95: float
    mean: float
    constants: Mapping[str, float]
    taught: Learned | None


def together(row: Motions, board: Motions) -> Motions:
    """Strip, row and board as one journey, as a batch sends them; the board's deposits count on after the row's."""
    last = max(at for at, move in enumerate(row.moves) if move.deposit is not None)
    dots = 1 + max(move.deposit for move in row.moves if move.deposit is not None)
    first = next(at for at, move in enumerate(board.moves) if move.deposit is not None)
    while board.moves[first - 1].step in (Step.TRAVEL, Step.RAISE, Step.LOWER):
        first -= 1
    offset = row.moves[last].plunger_mm - board.moves[first - 1].plunger_mm
    tail = [
        replace(
            move,
            plunger_mm=move.plunger_mm + offset,
            deposit=None if move.deposit is None else move.deposit + dots,
        )
        for move in board.moves[first:]
    ]
    moves = (*row.moves[: last + 1], *tail)
    return replace(row, moves=moves, machine_s=sum(move.duration_s for move in moves))


def truth_at(start: Truth, batch: Batch, board: int) -> Truth:
    """The bench when a board is laid, boards counted from 1."""
    share = (board - 1) / max(batch.boards - 1, 1)
    air = batch.bubble_ul * sum(board >= at for at in batch.refills)
    return replace(
        start,
        consistency=start.consistency * (1 + batch.consistency * share),
        gain=start.gain * (1 + batch.gain * share),
        bubble_ul=start.bubble_ul + air,
    )


FalseReading = Callable[[dict[int, float]], dict[int, float]]


def read_dots(
    laid: Laid, truth: Truth, row: WitnessRow, rng: np.random.Generator, false: FalseReading | None = None
) -> list[DotReading]:
    """The row's dots as a photo of ordinary quality shows them; `false` puts other diameters in their place."""
    shared = rng.normal(0.0, PHOTO_OFF)
    wide: dict[int, float] = {}
    for dot in row.record.dots:
        noise = shared + rng.normal(0.0, DOT_OFF)
        if dot.index in laid.volume_ul:
            wide[dot.index] = truth.dot_mm(laid.volume_ul[dot.index]) * float(np.exp(noise))
    if false is not None:
        wide = false(wide)
    return [
        DotReading(
            index=dot.index,
            state=DotState.MEASURED,
            diameter_mm=wide[dot.index],
            sigma_mm=DOT_OFF * wide[dot.index],
            photos=1,
        )
        if dot.index in wide
        else DotReading(index=dot.index, state=DotState.MISSING)
        for dot in row.record.dots
    ]


def worked(
    profile: Profile,
    start: Truth,
    belief: Belief,
    planned: Callable[[Profile], Planned],
    batch: Batch,
    *,
    learning: bool = True,
) -> list[BoardTold]:
    """Lay a batch; `planned` plans the board with a profile."""
    rng = np.random.default_rng(batch.seed)
    now = replace(profile)
    plan, row = planned(now), witness_row(now)
    told: list[BoardTold] = []

    def learn(laid: Laid, truth: Truth, false: FalseReading | None, *, refilled: bool) -> Learned | None:
        nonlocal belief, now, plan, row
        readings = read_dots(laid, truth, row, rng, false)
        if not learning:
            return None
        taught = learned(
            aged(belief, boards=float(not refilled), hours=0.05, refilled=refilled),
            RowOfDots(
                turns=turns_of(row.motions, now),
                setting=setting_of(now),
                least_dose_ul=min(dot.dose_ul for dot in row.record.dots),
            ),
            readings,
            plan.change_of,
            worth=0.01,
        )
        belief = taught.belief
        if taught.answer is RowAnswer.CORRECT:
            now = with_constants(profile, belief.constants)
            plan, row = planned(now), witness_row(now)
        return taught

    for number in range(1, batch.boards + 1):
        truth = truth_at(start, batch, number)
        if number in batch.refills:  # a row by itself, before the board
            learn(lay(row.motions, truth, rng), truth, None, refilled=True)
        laid = lay(together(row.motions, plan.motions), truth, rng)
        dots = len(row.record.dots)
        errors = np.array(
            [laid.mean_ul.get(index + dots, 0.0) / dose - 1 for index, dose in plan.doses_ul.items()]
        )
        was = now
        taught = learn(laid, truth, batch.false_at.get(number), refilled=False)
        told.append(
            BoardTold(
                number=number,
                error_95=float(np.percentile(np.abs(errors), 95)),
                mean=float(errors.mean()),
                constants=constants_of(was),
                taught=taught,
            )
        )
    return told
