"""What is to be run: program, plan and options to a job and its deposits, with everything wrong said at the door."""

import os
from collections.abc import Sequence
from datetime import datetime
from fnmatch import fnmatchcase
from pathlib import Path
from time import time

from pastewright.counting import counted
from pastewright.link.companions import Companion, names
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState, RunRow
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.program.dialects import PROGRAM_ENDINGS
from pastewright.records.plan import PlanRecord
from pastewright.work.running.kinds import findings_before

MOST_NAMES = 12  # one line of a terminal


def program_meant(path: Path) -> Path:
    """Return the program that is meant by a program, its companion (plan.json, sheet.json, …) or their folder.

    Raises `InputError` where a folder has none or several.
    """
    if path.is_dir():
        companions = [name for name in names() if (path / name).is_file()]
        folder = path
    elif path.name in names():
        companions, folder = [path.name], path.parent
    else:
        return path
    # A plan's program is called so; others have their companion's name.
    stems = ["program" if name == "plan.json" else Path(name).stem for name in companions]
    there = [folder / f"{stem}{ending}" for stem in stems for ending in PROGRAM_ENDINGS]
    found = [file for file in there if file.is_file()]
    if len(found) != 1:
        raise one_error("there is no program here, or more than one", "Name the program.", file=str(path))
    return found[0]


def check_fits(job: ProgramJob, profile: Profile, program: Path) -> None:
    """Raise `InputError` where the program was not written for this bench."""
    if job.dialect != profile.controller.dialect or job.letter != profile.plunger.letter:
        raise one_error(
            f"the program is {job.dialect} with the plunger on {job.letter}, the profile says"
            f" {profile.controller.dialect} with {profile.plunger.letter}",
            "Give the profile that the program was planned with.",
            file=str(program),
        )


def check_verified(text: str, job: ProgramJob, companion: Companion, profile: Profile, program: Path) -> None:
    """Read the program back; raise `InputError` with the first finding if there is one."""
    findings = findings_before(text, job, companion, profile)
    if findings:
        first = findings[0]
        raise one_error(
            f"the program is not verified: {counted(len(findings), 'finding')}, the first: {first.what}",
            "Look with `pastewright verify`; --even-if-unverified runs it all the same.",
            file=str(program),
            line=first.line or None,
        )


def wanted_deposits(job: ProgramJob, plan: Companion, from_pad: str | None, only: Sequence[str]) -> set[int]:
    """Return the deposits to lay, from --from and --only."""
    wanted = [laid.id for laid in job.deposits]
    if from_pad is not None:
        starts = [index for index, laid in enumerate(job.deposits) if from_pad in laid.pads]
        if not starts:
            raise one_error(
                f"--from {from_pad}: no deposit lies on such a pad", f"Pads are: {_some(job.pads)}."
            )
        wanted = wanted[starts[0] :]
    if only:
        refs = {pad.id: pad.ref for pad in plan.pads} if isinstance(plan, PlanRecord) else {}
        unmatched = []
        chosen_pads: set[str] = set()
        for pattern in only:
            found = {
                pad
                for pad in job.pads
                if fnmatchcase(refs.get(pad, ""), pattern) or fnmatchcase(pad, pattern)
            }
            chosen_pads |= found
            if not found:
                unmatched.append(pattern)
        if unmatched:
            raise one_error(
                f"--only {', '.join(unmatched)}: no deposit lies there",
                f"Give references or pads, shell-style. There are: {_some(sorted(set(refs.values()))) or _some(job.pads)}.",
            )
        by_id = {laid.id: laid for laid in job.deposits}
        wanted = [deposit for deposit in wanted if chosen_pads & set(by_id[deposit].pads)]
    if not wanted:
        raise one_error("nothing is left to lay with --from and --only together", "Leave one of them out.")
    return set(wanted)


def _some(names: Sequence[str]) -> str:
    named = [name for name in names if name]
    return ", ".join(named[:MOST_NAMES]) + (", …" if len(named) > MOST_NAMES else "")


def board_number_of(journal: Journal, job: ProgramJob, wanted: int | None) -> int:
    """Return the number of the board that begins; one that is in the journal is an `InputError`."""
    if wanted is None:
        return journal.next_number(job)
    for row in journal.runs():
        if row.program == job.sha256 and row.number == wanted and not row.dry and not job.dry:
            raise one_error(
                f"board {wanted} of this program is in the journal already (run {row.id})",
                f"`pastewright resume {row.id}` goes on with it; another board has another number.",
            )
    return wanted


def opened_at_of(words: str) -> float | None:
    """Return when the paste was opened [s since 1970] from "2h", "45min" or a date and time; "" is None."""
    if not words:
        return None
    text = words.strip().lower()
    for unit, seconds in (("min", 60.0), ("h", 3600.0), ("d", 86400.0)):
        if text.endswith(unit) and text.removesuffix(unit).strip().replace(".", "", 1).isdigit():
            # Whole minutes, so that "2h" said again for the same barrel a moment later may mean the same.
            return round((time() - float(text.removesuffix(unit)) * seconds) / 60) * 60.0
    try:
        return datetime.fromisoformat(words.strip()).timestamp()
    except ValueError:
        raise one_error(
            f"--opened {words!r} is no time",
            'Say how long ago ("2h", "45min", "1d") or when ("2026-05-01 09:30").',
        ) from None


def unfinished_run(journal: Journal, run_number: int | None, *, even_if_running: bool) -> RunRow:
    """Return the run named, or the latest whose board is not finished; one at work is an `InputError`."""
    row = journal.run(run_number) if run_number is not None else _latest_unfinished(journal)
    if row.ended_at is None and not even_if_running and at_work(row.process):
        raise one_error(
            f"run {row.id} is still at work (process {row.process})",
            "Stop it first; --even-if-running goes on if you know that this process is something else.",
        )
    return row


def _latest_unfinished(journal: Journal) -> RunRow:
    for row in journal.runs():
        counts = journal.counts(row.board)  # as the board stands now, whatever it was when the run ended
        if counts[DepositState.DONE] < sum(counts.values()):
            return row
    raise one_error("every board in the journal is finished", "`pastewright runs` lists them.")


def settle(journal: Journal, *, now_s: float) -> None:
    """End the runs whose process is gone: what was started by them is to be checked. Not while a run of ours is on."""
    for row in journal.runs():
        if row.ended_at is None and not at_work(row.process):
            journal.interrupted(row.board, why="the host stopped in the middle", now_s=now_s)


def at_work(process: int) -> bool:
    """Whether a process of this number works on a run; a number used again by another program does not count."""
    if process == os.getpid():
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    words = Path(f"/proc/{process}/cmdline")
    try:
        return b"python" in (line := words.read_bytes()) or b"pastewright" in line
    except OSError:
        return True
