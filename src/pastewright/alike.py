"""Many warnings to few lines: those that say the same of other pads, in other numbers, are told once with their count.

R1-1: raised to 0.0123 µL, the least this tip lays     R1-1: raised to … (312 alike: R1-1, R1-2, R1-3, R1-4, …)
R1-2: raised to 0.0119 µL, the least this tip lays  →
…
"""

from collections.abc import Sequence
from re import compile as pattern

FEW = 3
"""So many alike are still told one by one: a count would hide more than it saves."""
NAMES = 4
"""Of those told together so many are named; enough to look some up."""

_HEAD = pattern(r"^(\S+): (?=\S)")
# Numbers with their sign and decimals, and names that hold a digit: pads, parts, files with a line.
_VARIES = pattern(r"[+-]?\d+(?:[.,]\d+)*|\b\w*\d[\w./-]*")


def told_together(warnings: Sequence[str]) -> list[str]:
    """Return one line for each kind of warning that comes more than `FEW` times, the others as they are."""
    kinds: dict[tuple[bool, str], list[str]] = {}
    for words in warnings:
        head = _HEAD.match(words)
        body = words[head.end() :] if head else words
        kinds.setdefault((head is not None, _VARIES.sub("#", body)), []).append(words)
    lines: list[str] = []
    for (headed, _), alike in kinds.items():
        if len(alike) <= FEW:
            lines.extend(alike)
            continue
        names = [words.split(": ", 1)[0] for words in alike[:NAMES]] if headed else []
        more = f": {', '.join(names)}, …" if names else ""
        lines.append(f"{alike[0]} ({len(alike)} alike{more})")
    return lines
