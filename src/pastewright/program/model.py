"""A written program."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """Text in one dialect; `deposit_lines` maps a deposit's index to its first line (1-based)."""

    text: str
    suffix: str
    deposit_lines: dict[int, int]
