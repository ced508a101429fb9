"""Runs of plain operations to arrays: the thousands of lines `X…Y…D0n*` that most of a Gerber file is made of.

Read one by one they cost most of the time that a layer takes. A run is followed in one go where the file is in its
usual state (whole numbers, absolute, straight lines); else its statements are followed one by one, as any others.
"""

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Whole = NDArray[np.int64]

FIRST_APERTURE = 10  # D-codes below are operations (Gerber layer format specification, "Apertures")
FEWEST = 8  # statements; shorter runs are no quicker than their statements one by one (measured)
RUN = re.compile(
    rf"(?:\n(?:(?:X[+-]?\d{{1,12}})?(?:Y[+-]?\d{{1,12}})?D0?[123]|D[1-9]\d{{1,8}})\*(?=\n)){{{FEWEST},}}",
    re.ASCII,
)
"""A run, from the end of the line before it: each statement alone on its line, choices of apertures among them."""

_STEP = re.compile(r"\n(?:X([+-]?\d+))?(?:Y([+-]?\d+))?D0*(\d+)\*", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlainRun:
    """Operations (1, 2, 3 as in D01 to D03) and where they lead, in the file's whole numbers; `said` where it says so.

    `lines` count from the run's first. `tools` are the apertures chosen by number, -1 before any choice; `last_tool`
    may be chosen after the last operation.
    """

    operations: Whole
    x: Whole
    y: Whole
    x_said: NDArray[np.bool_]
    y_said: NDArray[np.bool_]
    lines: Whole
    tools: Whole
    last_tool: int


def run_of(body: str) -> PlainRun:
    """Return the statements of a text that `RUN` found."""
    xs, ys, codes = zip(*_STEP.findall(body), strict=True)
    code = np.array([int(word) for word in codes], dtype=np.int64)
    chosen = code >= FIRST_APERTURE
    latest = np.maximum.accumulate(np.where(chosen, np.arange(len(code)), -1))
    tools = np.where(latest >= 0, code[latest], -1)
    drawn = np.flatnonzero(~chosen)
    x_said, y_said = (np.array([bool(word) for word in words])[drawn] for words in (xs, ys))
    x, y = (np.array([int(word or 0) for word in words], dtype=np.int64)[drawn] for words in (xs, ys))
    return PlainRun(
        operations=code[drawn],
        x=x,
        y=y,
        x_said=x_said,
        y_said=y_said,
        lines=drawn,
        tools=tools[drawn],
        last_tool=int(tools[-1]),
    )


def filled(whole: Whole, said: NDArray[np.bool_], scale_mm: float, before_mm: float) -> NDArray[np.float64]:
    """Return whole numbers times `scale_mm` where they are `said`, else the last one said; before any, `before_mm`."""
    values: NDArray[np.float64] = whole * np.float64(scale_mm)
    if said.all():
        return values
    last = np.maximum.accumulate(np.where(said, np.arange(len(said)), -1))
    return np.where(last >= 0, values[last], before_mm)
