"""A written program, and what its header says."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What a person must be able to read at the top of a program: what it is for, and what it was made from.

    `paste`, `tip` and the names are free text; `paste_ul` is the paste laid on pads, `machine_s` the time of the
    whole program. `inputs_sha256` names the fabrication files, `profile_sha256` the profile,
    `job_sha256` the job file; empty where unknown.
    """

    board: str
    side: str
    profile: str
    paste: str
    tip: str
    paste_ul: float
    machine_s: float
    deposits: int
    pads: int
    inputs_sha256: str
    profile_sha256: str
    job_sha256: str = ""
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """Text in one dialect; `deposit_lines` maps a deposit's index to its first line (1-based)."""

    text: str
    suffix: str
    deposit_lines: dict[int, int]
