"""The covariance of a trial's constants between the file's rows and the model: half a matrix, checked.

In the file `covariance_of` names the constants, `covariance` has a row for each up to the diagonal, and `other_benches` one
for each other bench that explains the dots.
"""

from collections.abc import Iterator, Sequence
from math import isfinite, sqrt
from typing import Any

from pastewright.problems import Problem
from pastewright.profile.model import Covariance, OtherBench
from pastewright.profile.values import Values

# Constants that a trial tells; `standing` is the thickening of paste that stands.
TOLD = (
    "frame_stiffness_n_mm",
    "backlash_mm",
    "gain",
    "bubble_ul",
    "seal_friction_n",
    "consistency_kpa_sn",
    "flow_index",
    "yield_stress_kpa",
    "dot_shape_ratio",
    "smallest_dot_bores",
    "standing",
    "building_s",
    "breaking_strain",
)

# Of a variance: what rounding of the digits that are written may make of a zero.
ROUNDING = 1e-6

MEND = "Take the entry as `pastewright tune fit` wrote it, or leave both keys out."


def covariance_of(names: str, rows: Sequence[Any] | None) -> Covariance | None:
    """Return the covariance in an entry that was checked, None where it has none."""
    if not rows:
        return None
    words = tuple(names.split())
    half = [[float(number) for number in row] for row in rows]
    whole = [tuple(half[max(i, j)][min(i, j)] for j in range(len(words))) for i in range(len(words))]
    return Covariance(names=words, rows=tuple(whole))


def covariance_keys(names: Sequence[str], matrix: Sequence[Sequence[float]]) -> dict[str, object]:
    """Return the two keys of an entry that hold a covariance."""
    rows = [[float(f"{matrix[i][j]:.7e}") for j in range(i + 1)] for i in range(len(names))]
    return {"covariance_of": " ".join(names), "covariance": rows}


def other_benches_of(rows: Sequence[Any] | None) -> tuple[OtherBench, ...]:
    """Return the other benches of an entry that was checked."""
    return tuple(
        OtherBench(likelihood=float(row[0]), away=tuple(float(cell) for cell in row[1:]))
        for row in rows or ()
    )


def other_benches_rows(others: Sequence[OtherBench]) -> list[list[float]]:
    """Return the key of an entry that holds other benches."""
    return [[float(f"{cell:.6g}") for cell in (one.likelihood, *one.away)] for one in others]


def covariance_problems(values: Values) -> Iterator[Problem]:
    """Yield what is wrong with the covariances of a file's trials."""
    for entry in values.history:
        if "covariance" not in entry.values or "covariance_of" not in entry.values:
            continue  # told already
        names = (entry.maybe_text("covariance_of") or "").split()
        rows = entry.maybe_tuple("covariance") or ()
        if what := _wrong(names, rows):
            yield values.problem(entry, "covariance", f"the covariance of a trial {what}", MEND)
        elif what := _wrong_others(len(names), entry.maybe_tuple("other_benches") or ()):
            yield values.problem(entry, "other_benches", what, MEND)


def _wrong(names: Sequence[str], rows: Sequence[Any]) -> str:
    strange = [name for name in names if name not in TOLD]
    if strange:
        return f"is of {strange[0]!r}, which is no constant of a trial"
    if len(set(names)) != len(names):
        return "names a constant twice"
    if len(rows) != len(names):
        return f"has {len(rows)} rows for {len(names)} constants"
    for number, row in enumerate(rows, start=1):
        if not isinstance(row, list) or len(row) != number:
            return f"has no {number} numbers in row {number}"
        if not all(isinstance(cell, int | float) and not isinstance(cell, bool) for cell in row):
            return f"has something else than numbers in row {number}"
        if not all(isfinite(cell) and abs(cell) < 1e12 for cell in row):
            return f"has a number in row {number} that is none"
    if not names:
        return ""
    found = covariance_of(" ".join(names), rows)
    if found and not _is_covariance(found.rows):
        return "cannot be one: it gives some sum of the constants a square below zero"
    return ""


def _wrong_others(count: int, rows: Sequence[Any]) -> str:
    for number, row in enumerate(rows, start=1):
        if not isinstance(row, list) or len(row) != 1 + count:
            return f"other_benches: row {number} has not one number for the likelihood and {count} for the constants"
        if not all(isinstance(cell, int | float) and not isinstance(cell, bool) for cell in row):
            return f"other_benches: row {number} has something else than numbers"
        if not all(isfinite(cell) and abs(cell) < 1e6 for cell in row) or not 0 <= row[0] <= 1:
            return f"other_benches: row {number} has a number that cannot be: a likelihood is 0 to 1"
    return ""


def _is_covariance(rows: Sequence[Sequence[float]]) -> bool:
    """Tell whether a symmetric matrix has no square below zero: Cholesky's steps on its correlations."""
    if any(rows[i][i] < 0 for i in range(len(rows))):
        return False
    sds = [sqrt(rows[i][i]) or 1.0 for i in range(len(rows))]
    root = [[0.0] * len(rows) for _ in rows]
    for i in range(len(rows)):
        for j in range(i + 1):
            left = rows[i][j] / (sds[i] * sds[j]) - sum(root[i][k] * root[j][k] for k in range(j))
            if i == j:
                if left < -ROUNDING:
                    return False
                root[i][i] = sqrt(left + 2 * ROUNDING)
            else:
                root[i][j] = left / root[j][j]
    return True
