"""Found points in another order: which one would fit."""

from itertools import combinations, permutations

from pastewright.place.fiducials.fit import FitKind, fitted
from pastewright.place.fiducials.limits import Floats, MapLimits, is_unsound
from pastewright.place.transform import same_turn

TURN_WITHIN_DEG = 45.0  # nearer to one quarter turn than to the next


# All orders of so many points are tried; of more, only swaps of two.
ALL_ORDERS = 6


def other_order(board: Floats, found: Floats, limits: MapLimits) -> tuple[int, ...] | None:
    """Return the one order of the found points that fits, or None where none or several do."""
    fits = orders_that_fit(board, found, limits)
    # Of several orders, that of the turn which was told counts if it is alone.
    expected = [order for near, order in fits if near]
    if len(expected) == 1:
        return expected[0]
    return fits[0][1] if len(fits) == 1 else None


def orders_that_fit(board: Floats, found: Floats, limits: MapLimits) -> list[tuple[bool, tuple[int, ...]]]:
    """Return every other order of the found points that fits, each with whether its turn is the one told."""
    count = len(board)
    if count < 3:
        return []
    orders = list(permutations(range(count)))[1:] if count <= ALL_ORDERS else _swaps(count)
    fits = []
    for order in orders:
        fit = fitted(board, found[list(order)], FitKind.SIMILARITY, mirrored=limits.mirrored)
        if not is_unsound(fit, limits):
            near = limits.turned_deg is None or same_turn(
                fit.affine.turn_deg, limits.turned_deg, within_deg=TURN_WITHIN_DEG
            )
            fits.append((near, order))
    return fits


def _swaps(count: int) -> list[tuple[int, ...]]:
    every = range(count)
    return [tuple(j if k == i else i if k == j else k for k in every) for i, j in combinations(every, 2)]
