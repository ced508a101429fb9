"""A batch on the bench written apart: paste that loses its body, a bubble at a refill, a gain that drifts, photos that
scatter; learned from board to board, or not. It begins with the fit of one weighed sheet.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from demo_plans import plan_of
from msgspec import structs
from tuning_trials import measured
from virtual_bench import Laid, Truth, lay, truth_of

from pastewright.board.model import Side
from pastewright.learn.belief import Belief, aged
from pastewright.learn.board import change_of_board
from pastewright.learn.kept import believed
from pastewright.learn.row import WitnessRow, witness_row
from pastewright.learn.update import Learned, RowAnswer, RowOfDots, learned
from pastewright.motion.model import Motions, Step
from pastewright.plan.again import planned_again
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile
from pastewright.tune.fit.constants import with_constants
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fit import fit_sheets
from pastewright.tune.fit.model import setting_of
from pastewright.tune.fit.strokes import turns_of
from pastewright.tune.record.measurements import DotReading, DotState
from pastewright.tune.record.profile_update import tuning_entry, with_entry
from pastewright.tune.sheet.design import designed

# A photo's errors: of each diameter by itself, and of all diameters of one photo.
DOT_OFF, PHOTO_OFF = 0.03, 0.01

FalseReading = Callable[[dict[int, float]], dict[int, float]]


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
    false_at: Mapping[int, FalseReading] = field(default_factory=dict)
    seed: int = 1


@dataclass(frozen=True, kw_only=True)
class BoardTold:
    """One board: landed over dose by deposit [-], the bench that it was planned for, what its row taught."""

    number: int
    over: np.ndarray
    consistency: float
    taught: Learned | None

    @property
    def error_95(self) -> float:
        """95th percentile of its deposits' errors [-]."""
        return float(np.percentile(np.abs(self.over - 1), 95))

    @property
    def mean(self) -> float:
        """Mean error [-]."""
        return float(np.mean(self.over) - 1)


def fitted_bench(seed: int) -> tuple[Profile, Truth]:
    """The demo's bench with one weighed sheet fitted, and what it really is: a tenth off in stiffness and consistency."""
    rng = np.random.default_rng(seed)
    text = example_text(DEMO)
    profile = parse_profile(text, "bench.toml")
    plain = truth_of(profile)
    truth = replace(
        plain,
        frame_n_mm=plain.frame_n_mm * float(np.exp(rng.normal(0.0, 0.1))),
        consistency=plain.consistency * float(np.exp(rng.normal(0.0, 0.1))),
        index=plain.index + float(rng.normal(0.0, 0.01)),
        start_kpa=10.0,
    )
    made = designed(profile, name="first", seed=seed)
    landed = lay(made.motions, truth, rng)
    readings = measured(made.sheet, landed, truth, rng, weighing=True)
    fitted = fit_sheets([Evidence(made.sheet, readings, profile)], profile, leave_rows_out=False)
    entry = tuning_entry(fitted, profile, dated="2026-01-05", sheets=["first"], scale="weighed")
    return parse_profile(with_entry(text, entry), "bench.toml"), truth


def demo_top(profile: Profile) -> Planned:
    """The demo board's top planned for a bench."""
    record = plan_of(Side.TOP).record
    again = planned_again(record, profile)
    return Planned(
        motions=again.motions,
        doses_ul={row.id: row.total_ul for pad in record.pads for row in pad.deposits},
        change_of=change_of_board(again.program.text, again.record, again.profile),
    )


def together(row: Motions, board: Motions) -> Motions:
    """Strip, row and board as one journey, as a batch sends them; the board's deposits count on after the row's."""
    last = max(at for at, move in enumerate(row.moves) if move.deposit is not None)
    dots = 1 + max(move.deposit for move in row.moves if move.deposit is not None)
    first = next(at for at, move in enumerate(board.moves) if move.deposit is not None)
    while board.moves[first - 1].step in (Step.TRAVEL, Step.RAISE, Step.LOWER):
        first -= 1
    offset = row.moves[last].plunger_mm - board.moves[first - 1].plunger_mm
    tail = [
        structs.replace(
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
            sigma_mm=float(np.hypot(DOT_OFF, PHOTO_OFF)) * wide[dot.index],
            shared_sd=PHOTO_OFF,
            photos=1,
        )
        if dot.index in wide
        else DotReading(index=dot.index, state=DotState.MISSING)
        for dot in row.record.dots
    ]


class _AtWork:
    """A batch at work: what is believed, and what is planned for it."""

    def __init__(
        self, profile: Profile, belief: Belief, planned: Callable[[Profile], Planned], *, learning: bool
    ) -> None:
        self.belief, self.planned, self.learning = belief, planned, learning
        self.now = profile
        self.plan, self.row = planned(profile), witness_row(profile)

    def learn(
        self,
        laid: Laid,
        truth: Truth,
        rng: np.random.Generator,
        *,
        false: FalseReading | None = None,
        refilled: bool = False,
    ) -> Learned | None:
        """Read the row, and take in what it says; the next board is planned anew where that is worth it."""
        readings = read_dots(laid, truth, self.row, rng, false)
        if not self.learning:
            return None
        row = RowOfDots(
            turns=turns_of(self.row.motions, self.now),
            setting=setting_of(self.now),
            least_dose_ul=min(dot.dose_ul for dot in self.row.record.dots),
            standing=self.now.tuning.standing,
            building_s=self.now.tuning.building_s,
            breaking_strain=self.now.tuning.breaking_strain,
        )
        before = aged(self.belief, boards=float(not refilled), hours=0.05, refilled=refilled)
        taught = learned(before, row, readings, self.plan.change_of, worth=0.01)
        self.belief = taught.belief
        if taught.answer is RowAnswer.CORRECT:
            self.now = with_constants(self.now, self.belief.constants)
            self.plan, self.row = self.planned(self.now), witness_row(self.now)
        return taught


def worked(
    profile: Profile,
    start: Truth,
    planned: Callable[[Profile], Planned],
    batch: Batch,
    *,
    belief: Belief | None = None,
    learning: bool = True,
) -> list[BoardTold]:
    """Lay a batch; `planned` plans the board for a bench."""
    rng = np.random.default_rng(batch.seed)
    at_work = _AtWork(profile, belief or believed(profile), planned, learning=learning)
    told: list[BoardTold] = []
    for number in range(1, batch.boards + 1):
        truth = truth_at(start, batch, number)
        if number in batch.refills:  # a row by itself, before the board
            at_work.learn(lay(at_work.row.motions, truth, rng), truth, rng, refilled=True)
        laid = lay(together(at_work.row.motions, at_work.plan.motions), truth, rng)
        dots = len(at_work.row.record.dots)
        over = [laid.mean_ul.get(key + dots, 0.0) / dose for key, dose in at_work.plan.doses_ul.items()]
        consistency = at_work.now.paste.consistency_kpa_sn
        taught = at_work.learn(laid, truth, rng, false=batch.false_at.get(number))
        told.append(BoardTold(number=number, over=np.array(over), consistency=consistency, taught=taught))
    return told


def swings(told: list[BoardTold]) -> float:
    """Correlation of a board's mean error with the one before, trend and refill taken out: −1 swings to and fro."""
    means = np.array([one.mean for one in told[1:]])
    smooth = np.convolve(np.pad(means, 3, mode="edge"), np.ones(7) / 7, mode="valid")
    left = means - smooth
    return float(np.sum(left[1:] * left[:-1]) / np.sum(left * left))


def widened(factor: float) -> FalseReading:
    """A whole row read wrong by one factor."""
    return lambda wide: {index: factor * diameter for index, diameter in wide.items()}


def one_dot(index: int, factor: float) -> FalseReading:
    """One dot read wrong."""
    return lambda wide: {at: diameter * (factor if at == index else 1.0) for at, diameter in wide.items()}
