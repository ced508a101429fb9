"""Rows left out of the fit, one after the other, and predicted from the rest: what the model is worth on dots it has
not seen.
"""

from math import log

import numpy as np

from pastewright.tune.fit.constants import Floats
from pastewright.tune.fit.fitted import RowLeftOut
from pastewright.tune.fit.least_squares import LeastSquares
from pastewright.tune.fit.losses import LAST_LOSS

# Where a straight step says that a row is predicted so many times worse than it is fitted, it is searched for instead.
CROOKED = 2.5


def rows_left_out(problem: LeastSquares, x: Floats) -> tuple[RowLeftOut, ...]:
    """Predict each row from the others: one step of Gauss and Newton away from its own dots' pull."""
    jac, rows = problem.slopes(x), problem.residuals(x)
    # As the last search saw them: dots far off hardly count.
    weight = 1 / (1 + (rows / LAST_LOSS[1]) ** 2)
    weight[-x.size :] = 1.0
    whole = (jac * weight[:, None]).T @ jac
    found = []
    first = 0
    for k, one in enumerate(problem.evidence):
        where = np.flatnonzero(one.reading.measured)
        row_of = one.rows[where]
        spread = one.reading.spread[where]
        for row in sorted(set(row_of.tolist()) - {-1}):
            at = first + np.flatnonzero(row_of == row)
            mine = jac[at]
            rest = whole - (mine * weight[at, None]).T @ mine
            step = np.linalg.solve(rest, (mine * weight[at, None]).T @ rows[at])
            off = -(rows[at] + mine @ step) * spread[row_of == row]
            if np.sqrt(np.mean(off**2)) > CROOKED * np.sqrt(np.mean((rows[at] * spread[row_of == row]) ** 2)):
                off = predicted(problem, x, k, row)
            found.append(
                RowLeftOut(
                    sheet=k,
                    row=row,
                    dots=off.size,
                    rms=float(np.sqrt(np.mean(off**2))),
                    bias=float(np.median(off)),
                )
            )
        first += one.count
    return tuple(found)


def predicted(problem: LeastSquares, x: Floats, sheet: int, row: int) -> Floats:
    """Return ln(measured/model) of a row's dots after a search without them."""
    one = problem.evidence[sheet]
    keep = [np.ones(len(e.reading.index), dtype=bool) for e in problem.evidence]
    keep[sheet] = one.rows != row
    there, _ = problem.search(x, 4, keep, loss=LAST_LOSS)
    dots = one.compared(problem.seen_of(there, sheet), sheet=sheet)
    return np.array([log(dot["measured_ul"] / dot["model_ul"]) for dot in dots if dot["row"] == row])
