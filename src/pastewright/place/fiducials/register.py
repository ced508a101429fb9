"""Points on the board and where they were found to a judged map: `Registration`, or every reason to refuse.

The checks run from the plainest mistake to the finest: numbers, doubled points, units, order, side, stretch,
residuals. A refusal names the likeliest mistake; nothing is dropped or swapped without a person.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import dist, hypot, isfinite, log, sqrt

import numpy as np

from pastewright.board.model import Point
from pastewright.place.fiducials.fit import (
    LEAST_POINTS,
    FitKind,
    MapFit,
    error_covariances,
    fitted,
    leverages,
)
from pastewright.place.fiducials.limits import (
    DEFAULT_LIMITS,
    Floats,
    MapLimits,
    is_unsound,
    mirror_words,
    reasons_against,
)
from pastewright.place.fiducials.orders import TURN_WITHIN_DEG, orders_that_fit, other_order
from pastewright.place.transform import Affine, Pair, PlaceStep, as_points, nearest_quarter, same_turn
from pastewright.problems import InputError, Problem, one_error

# No machine here reaches further [mm].
FARTHEST_MM = 1e5
# Points nearer than this are one point [mm].
ONE_POINT_MM = 0.05
# Two points must lie this far apart at least; the turn would be known to no better than about a degree.
LEAST_BASE_MM = 2.0
# Narrower than this share of its length, a set of points is nearly a line.
NEARLY_LINE = 0.1
LINE = 0.01  # narrower than a hundredth the turn about the line is not known at all; own choice
# Points that span less than this share of the pads make every error grow on the way out.
SHORT_BASE = 0.5

# How found points look in another unit: found over board distances, and what that is.
UNITS = (
    (1 / 25.4, "the found points look like inches, the board's points like millimetres"),
    (25.4, "the board's points look like inches, the found points like millimetres"),
    (0.1, "the found points look like centimetres"),
    (0.001, "the found points look like metres"),
    (1000.0, "the found points look like micrometres"),
    (1 / 0.0254, "the found points look like thousandths of an inch"),
    (0.0254, "the board's points look like thousandths of an inch"),
)
UNIT_WITHIN = 0.02
"""No two of the unit ratios above are nearer than a factor of two; 2 % leaves room for stretch."""
# 95 % of a round normal scatter lies within 2.448 sigma, its root mean square at 1.414 sigma.
RMS_TO_95 = 2.4477 / sqrt(2)
# A point this many times its expected error off what the others say deserves a look.
ODD = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Registration:
    """A map that passed. `expected_mm` is the root mean square error at the worst pad, `worst_pad` its name.

    `off_mm` is how far each point was found from where the map takes it; `left_out_mm` how far from where the
    others alone would take it (None where they could not).
    """

    pairs: tuple[Pair, ...]
    fit: MapFit
    off_mm: tuple[float, ...]
    left_out_mm: tuple[float | None, ...]
    sigma_mm: float
    worst_pad: str
    worst_pad_mm: Point
    expected_mm: float
    turned_deg: int
    warnings: tuple[str, ...] = ()

    @property
    def affine(self) -> Affine:
        """Board to machine."""
        return self.fit.affine

    @property
    def expected_95_mm(self) -> float:
        """Error at the worst pad that 19 of 20 registrations stay within [mm]."""
        return self.expected_mm * RMS_TO_95

    def step(self, what: str = "found points") -> PlaceStep:
        """Return the registration as a step of a placement."""
        return PlaceStep(what=what, affine=self.affine, fit=str(self.fit.kind), pairs=self.pairs)


def kind_for(count: int) -> FitKind:
    """Return the fit for so many points that still leaves something to check: rigid, similarity from 3, affine from 4."""
    return FitKind.RIGID if count < 3 else FitKind.SIMILARITY if count == 3 else FitKind.AFFINE


def register(
    pairs: Sequence[Pair],
    *,
    pads: Sequence[tuple[str, Point]] = (),
    kind: FitKind | None = None,
    limits: MapLimits = DEFAULT_LIMITS,
    file: str = "",
) -> Registration:
    """Return the map from board to machine that the pairs tell, checked against `limits`.

    `pads` are names and places [mm, board] at which the error is to be known; without them it is told at the
    points. `kind` is `kind_for` the number of points unless given. Raises `InputError` with the reasons.
    """
    _sane(pairs, file)
    kind = kind_for(len(pairs)) if kind is None else kind
    if len(pairs) < LEAST_POINTS[kind]:
        raise one_error(
            f"a {kind} fit needs {LEAST_POINTS[kind]} points or more; {len(pairs)} are given",
            "Find more points, or choose another --fit.",
            file=file,
        )
    board, found = as_points([pair.from_mm for pair in pairs]), as_points([pair.to_mm for pair in pairs])
    warnings = _spread(pairs, board, pads, kind, file)
    _units(board, found, file)
    fit = _judged(pairs, board, found, kind, limits, file)
    warnings += _turn(fit, pairs, board, found, limits, file)
    left_out = _left_out(board, found, fit)
    told = fit.sigma_mm if fit.spare >= 2 and fit.sigma_mm is not None else 0.0
    sigma = max(limits.found_to_mm, told)
    warnings += _odd(pairs, left_out, fit, board, sigma)
    named = list(pads) or [(pair.name, pair.from_mm) for pair in pairs]
    spread = error_covariances(fit, board, as_points([place for _, place in named]), sigma_mm=sigma)
    errors = np.sqrt(np.trace(spread, axis1=1, axis2=2))
    worst = int(errors.argmax())
    if fit.spare == 0:
        warnings.append(
            f"{len(pairs)} points fix a {kind} fit exactly: nothing is left to check it with."
            " One more point would show a mistake"
        )
    return Registration(
        pairs=tuple(pairs),
        fit=fit,
        off_mm=tuple(np.hypot(fit.residuals_mm[:, 0], fit.residuals_mm[:, 1]).tolist()),
        left_out_mm=left_out,
        sigma_mm=sigma,
        worst_pad=named[worst][0],
        worst_pad_mm=named[worst][1],
        expected_mm=float(errors[worst]),
        turned_deg=nearest_quarter(fit.affine.turn_deg),
        warnings=tuple(warnings),
    )


def _sane(pairs: Sequence[Pair], file: str) -> None:
    problems = [
        Problem(
            what=f"point {pair.name} has a coordinate that is no number of a machine: {(*pair.from_mm, *pair.to_mm)}",
            mend="Measure it again.",
        )
        for pair in pairs
        if not _finite(pair)
    ]
    whole = [pair for pair in pairs if _finite(pair)]
    for one, other in combinations(whole, 2):
        on_board = dist(one.from_mm, other.from_mm) < ONE_POINT_MM
        if on_board or dist(one.to_mm, other.to_mm) < ONE_POINT_MM:
            where = "on the board" if on_board else "where they were found"
            problems.append(
                Problem(
                    what=f"points {one.name} and {other.name} are the same place {where}",
                    mend="Each point counts once; take one out, or measure it again.",
                )
            )
    if len(pairs) < 2:
        problems.append(
            Problem(
                what=f"{len(pairs)} points are given; two or more are needed", mend="Find another fiducial."
            )
        )
    if problems:
        raise InputError(Problem(what=p.what, mend=p.mend, file=file) for p in problems)


def _finite(pair: Pair) -> bool:
    return all(isfinite(v) and abs(v) <= FARTHEST_MM for v in (*pair.from_mm, *pair.to_mm))


def _spread(
    pairs: Sequence[Pair], board: Floats, pads: Sequence[tuple[str, Point]], kind: FitKind, file: str
) -> list[str]:
    long = max(dist(a.from_mm, b.from_mm) for a, b in combinations(pairs, 2))
    if long < LEAST_BASE_MM:
        raise one_error(
            f"the points lie within {long:.2f} mm of each other; {LEAST_BASE_MM:g} mm or more are needed",
            "Take points near opposite corners of the board.",
            file=file,
        )
    warnings: list[str] = []
    if pads:
        places = as_points([place for _, place in pads])
        across = float(np.hypot(*np.ptp(places, axis=0)))
        if long < SHORT_BASE * across:
            warnings.append(
                f"the points are {long:.1f} mm apart and the pads span {across:.1f} mm: errors grow towards the far"
                " pads. Points near opposite corners would do better"
            )
    if len(pairs) >= 3:
        wide = np.linalg.svd(board - board.mean(axis=0), compute_uv=False)
        narrow = float(wide[1] / wide[0])
        if kind is FitKind.AFFINE and narrow < LINE:
            raise one_error(
                "the points lie in one line; they say nothing about stretch across it",
                "Add a point beside the line, or use --fit similarity.",
                file=file,
            )
        if narrow < NEARLY_LINE:
            warnings.append(
                f"the points lie nearly in one line (width over length {narrow:.3f}); a point beside it would help"
            )
    return warnings


def _units(board: Floats, found: Floats, file: str) -> None:
    ratio = _ratio(board, found)
    for factor, words in UNITS:
        if abs(log(ratio / factor)) < UNIT_WITHIN:
            raise one_error(
                f"distances between the found points are {ratio:.4g} times those on the board: {words}",
                "Give both in millimetres.",
                file=file,
            )


def _ratio(board: Floats, found: Floats) -> float:
    """Found over board distances, whatever the turn or side."""
    return sqrt(float(((found - found.mean(axis=0)) ** 2).sum() / ((board - board.mean(axis=0)) ** 2).sum()))


def _judged(
    pairs: Sequence[Pair], board: Floats, found: Floats, kind: FitKind, limits: MapLimits, file: str
) -> MapFit:
    fit = fitted(board, found, kind, mirrored=limits.mirrored)
    reasons = reasons_against(pairs, board, found, fit, limits)
    if not reasons:
        return fit
    order = other_order(board, found, limits)
    if order is not None:
        moved = [pairs[i].name for i in range(len(pairs)) if order[i] != i]
        how = "swapped" if len(moved) == 2 else "in another order"
        mend = f"Points {' and '.join(moved) if len(moved) == 2 else ', '.join(moved)} seem {how}: that would fit."
        raise one_error("; ".join(reasons), mend, file=file)
    if len(pairs) >= 3:
        other = fitted(board, found, FitKind.SIMILARITY, mirrored=not limits.mirrored)
        if not is_unsound(other, limits):
            raise one_error(*mirror_words(limits), file=file)
    raise one_error("; ".join(reasons), _blame(pairs, board, found, kind, limits), file=file)


def _blame(pairs: Sequence[Pair], board: Floats, found: Floats, kind: FitKind, limits: MapLimits) -> str:
    """Name the point without which the others agree, if there is exactly one."""
    general = "Measure the points again."
    count = len(pairs)
    if count < 4:
        return f"{general} With {count} points nobody can tell which one is wrong; a fourth would."
    # Leaving one out must still leave something to check.
    kind = FitKind.SIMILARITY if count == 4 else kind
    rest = []
    for i in range(count):
        keep = [j for j in range(count) if j != i]
        if not _spans(board[keep]):
            return general
        fit = fitted(board[keep], found[keep], kind, mirrored=limits.mirrored)
        rest.append((is_unsound(fit, limits), fit.rms_point_mm, i, fit))
    rest.sort(key=lambda item: (item[0], item[1]))
    unsound, rms, odd, fit = rest[0]
    if unsound or rest[1][1] < 3 * max(rms, 1e-6):
        return f"{general} No single point explains it."
    x, y = fit.affine.point(pairs[odd].from_mm)
    off = hypot(found[odd, 0] - x, found[odd, 1] - y)
    return (
        f"Point {pairs[odd].name} is {off:.3f} mm from where the others put it, at ({x:.3f}, {y:.3f});"
        f" without it the rest agree within {rms:.3f} mm. Measure it again."
    )


def _spans(points: Floats) -> bool:
    wide = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(wide[1] > LINE * wide[0])


def _turn(
    fit: MapFit, pairs: Sequence[Pair], board: Floats, found: Floats, limits: MapLimits, file: str
) -> list[str]:
    turn = fit.affine.turn_deg
    told = limits.turned_deg
    if told is None or same_turn(turn, told, within_deg=TURN_WITHIN_DEG):
        quarter = nearest_quarter(turn)
        if quarter and same_turn(turn, quarter, within_deg=TURN_WITHIN_DEG):
            return [f"the board lies turned by {turn:.2f}°; the program is turned with it"]
        return []
    words = f"the found points say that the board lies turned by {turn:.1f}°, not by {told:g}°"
    if len(pairs) > 2 and not any(near for near, _ in orders_that_fit(board, found, limits)):
        return [f"{words}. No other order of the points fits, so it is taken as turned"]
    raise one_error(
        words,
        f"If it does lie so, say --turned {nearest_quarter(turn)}. If not, points are swapped:"
        " give each found point to its own fiducial.",
        file=file,
    )


def _left_out(board: Floats, found: Floats, fit: MapFit) -> tuple[float | None, ...]:
    count = len(board)
    answers: list[float | None] = []
    for i in range(count):
        keep = [j for j in range(count) if j != i]
        if len(keep) < LEAST_POINTS[fit.kind] or (fit.kind is FitKind.AFFINE and not _spans(board[keep])):
            answers.append(None)
            continue
        rest = fitted(board[keep], found[keep], fit.kind, mirrored=fit.affine.mirrored)
        x, y = rest.affine.point((float(board[i, 0]), float(board[i, 1])))
        answers.append(hypot(float(found[i, 0]) - x, float(found[i, 1]) - y))
    return tuple(answers)


def _odd(
    pairs: Sequence[Pair], left_out: Sequence[float | None], fit: MapFit, board: Floats, sigma_mm: float
) -> list[str]:
    if fit.spare < 3:
        return []
    share = 1 - np.minimum(leverages(fit, board), 0.999)
    warnings = []
    for pair, off, free in zip(pairs, left_out, share.tolist(), strict=True):
        # A left-out point is off by sigma·√2 of its own and as much again as it was holding the fit.
        expected = sigma_mm * sqrt(2 / free)
        if off is not None and off > ODD / sqrt(2) * expected:
            warnings.append(
                f"point {pair.name} is {off:.3f} mm from where the others put it; look at it again"
            )
    return warnings
