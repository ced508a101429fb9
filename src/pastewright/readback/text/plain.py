"""Runs of plain lines to rows, many at once: moves, waits and comments spelt in the usual way, which most of a program is.

Read word by word they take most of the time that a program's reading takes. A run is followed in one go where every mode
that it relies on was stated before, and nothing in it asks for a finding; any other run is read line by line, as all else.

What a run changes is what its lines would change one by one: sums are added in the lines' order, so that not even the
last digit differs.
"""

import re
from collections.abc import Sequence
from math import inf, nan
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.readback.text.codes import CodeTable
from pastewright.readback.text.controller import (
    DWELL,
    FEED,
    NO_OFFSET,
    RAPID,
    TIMED,
    Letters,
    Offset,
    ReadController,
    ReadState,
)

FEWEST = 16  # lines; shorter runs are no quicker than their lines one by one (measured)

PLAIN_LENGTH = 200  # characters; a longer line is read with all its checks

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_NUMBER = r"-?\d{1,8}(?:\.\d{1,9})?"  # below the largest word that any machine takes
_COMMENT = r";[^()\n]{0,199}|\([^()\n]{0,198}\)"


class Plain(NamedTuple):
    """How the plain lines of a bench look: many of them, and one with its parts."""

    many: re.Pattern[str]
    one: re.Pattern[str]


def plain_lines(dialect: CodeTable, plunger_letter: str) -> Plain:
    """Return how plain lines look in a dialect, where the plunger has this letter."""
    waits, feed_modes = "PS" if dialect.dwell_s_word else "P", ("G", 930) in dialect.codes
    return Plain(
        # What was taken is never given back, so that a long run takes no memory.
        many=re.compile(
            rf"^(?:{_line('(?:', plunger_letter, waits, feed_modes=feed_modes)}){{{FEWEST},}}+",
            re.ASCII | re.MULTILINE,
        ),
        one=re.compile(_line("(", plunger_letter, waits, feed_modes=feed_modes), re.ASCII),
    )


def _line(part: str, plunger_letter: str, waits: str, *, feed_modes: bool) -> str:
    """Return the pattern of one line; `part` opens each of its parts: G0 or G1, five words, a wait, a feed mode."""
    axes = ("X", "Y", "Z", plunger_letter)
    words = "".join(rf"(?: {letter}{part}{_NUMBER}))?" for letter in (*axes, "F"))
    mode = rf"G9{part}[34])" if feed_modes else rf"(?!){part})"
    return (
        rf"(?:G0?{part}[01])(?= [{''.join(axes)}]){words}|G4 {part}[{waits}]{_NUMBER})|{mode}|{_COMMENT})\n"
    )


def is_comment(raw: str) -> bool:
    """Return whether a line is one plain comment, in either manner, and nothing else."""
    if raw.startswith(";"):
        return "(" not in raw and ")" not in raw and len(raw) <= PLAIN_LENGTH
    return raw.startswith("(") and raw.find(")") == len(raw) - 1 <= PLAIN_LENGTH and raw.count("(") == 1


def followed(spelt: Sequence[tuple[str, ...]], line: int, machine: ReadController) -> bool:
    """Follow lines, whose parts are given and whose first has the number `line`; False, and nothing done, see `plain_of`."""
    state = machine.state
    told = (
        plain_of(spelt, line, state, machine.dialect, machine.letters) if machine.stated and spelt else None
    )
    if told is None:
        return False
    machine.rows.extend(told.table)
    state.place, state.feed, state.inverse = told.place, told.feed, told.inverse
    if told.moved is not None and not machine.dialect.one_command:
        state.motion = machine.dialect.codes["G", 10 * told.moved]
    return True


class PlainLines(Struct, frozen=True, kw_only=True):
    """What a run does: its rows (N×9), and where it leaves the controller. `moved`: G0 or G1 by the last move, if any."""

    table: Floats
    place: Offset
    feed: float | None
    inverse: bool | None
    moved: int | None


def plain_of(
    spelt: Sequence[tuple[str, ...]], line: int, now: ReadState, dialect: CodeTable, letters: Letters
) -> PlainLines | None:
    """Return what lines, whose parts are given and whose first has the number `line`, do from `now` on.

    None where they are better read one by one: a mode was not stated, a value is not allowed, or a move lacks what it
    needs. Reading them one by one tells which.
    """
    if not _settled(now, dialect, letters):
        return None
    codes, *words, waits, modes = zip(*spelt, strict=True)
    moves = np.array([code != "" for code in codes])
    x, y, z, q, f = (np.array([float(word) if word else nan for word in column]) for column in words)
    inverse, feed = _feeds(f, modes, now)
    rapid = np.array([code == "0" for code in codes]) & (not dialect.rapid_feeds)
    bare = np.isnan(f)
    paced = moves & ~rapid
    if (f <= 0).any() or np.isnan(feed[paced & ~inverse]).any() or bare[paced & inverse].any():
        return None
    wait_s = np.array([_wait_s(word, dialect) for word in waits])
    if (wait_s < 0).any():
        return None
    places = _places((x, y, z, q), now, letters)
    before = np.vstack([[now.place], places[:-1]])
    still = ((places == before) | (np.isnan(places) & np.isnan(before))).all(axis=1)
    kinds = np.where(rapid, RAPID, np.where(inverse, TIMED, FEED))
    kinds[~moves] = DWELL
    per_s = feed / 60.0
    paths = np.where(kinds == FEED, per_s * now.feed_scale, np.where(kinds == RAPID, inf, 0.0))
    plungers = np.where(kinds == FEED, per_s * (now.feed_scale if letters.scaled else 1.0), paths)
    seconds = np.where(kinds == TIMED, 60.0 / np.where(bare, 1.0, f), np.where(moves, 0.0, wait_s))
    kept = np.flatnonzero((moves & ~still) | ~np.isnan(wait_s))
    columns = (kept + line, kinds[kept], *places[kept].T, paths[kept], plungers[kept], seconds[kept])
    last_move = np.flatnonzero(moves)
    place: list[float] = places[-1].tolist()
    return PlainLines(
        table=np.column_stack(columns),
        place=(place[0], place[1], place[2], place[3]),
        feed=None if np.isnan(feed[-1]) else float(feed[-1]),
        inverse=now.inverse if now.inverse is None else bool(inverse[-1]),
        moved=int(codes[last_move[-1]]) if len(last_move) else None,
    )


def _settled(now: ReadState, dialect: CodeTable, letters: Letters) -> bool:
    """Tell whether every mode that plain lines rely on was stated, and is one that they can be followed in."""
    system = now.systems[(now.system or 1) - 1]
    positions = now.plunger_absolute if letters.own_mode else True
    return (
        now.unit_mm is not None
        and now.feed_scale == now.unit_mm
        and now.absolute is True
        and system is not None
        and positions is not None
        and (now.plunger_known or not positions)
        and (dialect.one_command or now.inverse is not None)
    )


def _wait_s(word: str, dialect: CodeTable) -> float:
    """Return how long G4 waits [s]; not-a-number on other lines."""
    if not word:
        return nan
    return float(word[1:]) * (dialect.dwell_p_s if word[0] == "P" else 1.0)


def _filled(values: Floats, said: Flags, before: float) -> Floats:
    """Return at each line the value said last; `before` any was."""
    last = np.maximum.accumulate(np.where(said, np.arange(len(said)), -1))
    filled: Floats = np.where(last >= 0, values[last], before)
    return filled


def _feeds(f: Floats, modes: Sequence[str], now: ReadState) -> tuple[Flags, Floats]:
    """Return at each line whether F means inverse time, and the feed in force; not-a-number where there is none."""
    feed = nan if now.feed is None else now.feed
    before = bool(now.inverse)
    inverse = np.full(len(f), before)
    said = ~np.isnan(f)
    if any(modes):
        told = np.array([mode != "" for mode in modes])
        inverse = (
            _filled(np.array([mode == "3" for mode in modes], dtype=np.float64), told, float(before)) > 0
        )
        # A change of its meaning forgets F.
        changed = inverse != np.concatenate([[before], inverse[:-1]])
        return inverse, _filled(f, (said & ~inverse) | changed, feed)
    return inverse, _filled(f, said, feed) if not before else np.full(len(f), feed)


def _places(words: tuple[Floats, Floats, Floats, Floats], now: ReadState, letters: Letters) -> Floats:
    """Return where each line leaves the axes, N×4 [mm; the plunger in its letter's unit]."""
    system = now.systems[(now.system or 1) - 1] or NO_OFFSET
    unit = now.unit_mm or 1.0
    places = np.empty((len(words[0]), 4))
    for axis, values in enumerate(words):
        offset = now.offset[axis] if system is NO_OFFSET else now.offset[axis] + system[axis]
        scaled = values * unit if axis < 3 or letters.scaled else values
        said = ~np.isnan(values)
        if axis == 3 and letters.own_mode and not now.plunger_absolute:
            steps = np.concatenate([[now.place[3]], np.where(said, scaled, 0.0)])
            places[:, 3] = np.cumsum(steps)[1:]
        else:
            places[:, axis] = _filled(scaled + offset, said, now.place[axis])
    return places
