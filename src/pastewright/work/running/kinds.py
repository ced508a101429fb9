"""What differs between kinds of programs on their way to the machine: what is read back before, and what becomes of it.

    before      findings of the read-back; a program with any is not sent
    checks      what a person must have looked at, besides what every program asks
    after       what is done with a run that came to its end

A kind that is not in `KINDS` is read back as deposits of its job, asks nothing of its own and ends with its run. Its file is
registered in `link.companions`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pastewright.link.companions import Companion
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.phases import Phase
from pastewright.profile.model import Profile
from pastewright.profile.off import without_structure
from pastewright.readback.model import Expected, ExpectedDeposit, Finding
from pastewright.records.placement import ON_BED
from pastewright.records.plan import PlanRecord
from pastewright.records.probing import ProbingRecord
from pastewright.records.sheet import SheetRecord
from pastewright.work.running.once import touched_of

Before = Callable[[str, ProgramJob, Any, Profile], Sequence[Finding]]
After = Callable[[Journal, int, Any, Profile, Path], None]
"""The journal, the run's number, the companion, the bench, the program's file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SentKind:
    """What is done with programs whose companion is a `record`. `checks` are names of `checks.CHECKS`; `on_card`: it is
    laid on a bare card.
    """

    record: type
    before: Before
    checks: tuple[str, ...] = ()
    on_card: bool = False
    after: After | None = None


def _deposits_read_back(
    text: str, job: ProgramJob, companion: Companion, profile: Profile
) -> Sequence[Finding]:
    from pastewright.readback.judge.verify import verify

    expected = Expected(
        deposits=tuple(
            ExpectedDeposit(
                kind=laid.kind, points_mm=laid.points_mm, volume_ul=laid.volume_ul, pad_ids=laid.pads
            )
            for laid in job.deposits
        )
    )
    # Trial dots are planned for paste that does not stiffen, as `tune.sheet.program` says.
    return verify(text, expected, without_structure(profile)).findings


def _plan_read_back(text: str, job: ProgramJob, plan: PlanRecord, profile: Profile) -> Sequence[Finding]:
    from pastewright.readback.judge.expect import expected_from_plan
    from pastewright.readback.judge.verify import verify

    return verify(text, expected_from_plan(plan, file="the plan beside it"), profile).findings


def _probing_read_back(
    text: str, job: ProgramJob, record: ProbingRecord, profile: Profile
) -> Sequence[Finding]:
    from pastewright.readback.judge.probing import probing_findings

    return probing_findings(text, record, profile)


def _heights_kept(journal: Journal, run: int, record: ProbingRecord, profile: Profile, program: Path) -> None:
    from pastewright.work.running.heights import heights_kept

    heights_kept(journal, run, record, profile, program)


KINDS: list[SentKind] = [
    SentKind(record=PlanRecord, before=_plan_read_back),
    SentKind(record=ProbingRecord, before=_probing_read_back, checks=("contact",), after=_heights_kept),
    SentKind(record=SheetRecord, before=_deposits_read_back, on_card=True),
]


def findings_before(text: str, job: ProgramJob, companion: Companion, profile: Profile) -> Sequence[Finding]:
    """Read a program back; returns what is wrong with it, nothing where it may be sent."""
    entry = _entry(companion)
    return (entry.before if entry else _deposits_read_back)(text, job, companion, profile)


def is_on_card(companion: Companion) -> bool:
    """Tell whether this kind of program is laid on a bare card."""
    entry = _entry(companion)
    return entry is not None and entry.on_card


def own_checks(companion: Companion) -> tuple[str, ...]:
    """Return the names of what must be looked at for this kind of program.

    Where a touch-up's strip goes one lies already; and a board that was found when it was laid must lie there still.
    """
    touched = touched_of(companion)
    if touched is not None and isinstance(companion, PlanRecord):
        in_corner = [step.what for step in companion.placement.boards[0].steps] == [ON_BED]
        return ("strip",) if in_corner or touched.placed_anew else ("unmoved", "strip")
    entry = _entry(companion)
    return entry.checks if entry else ()


def after_run(journal: Journal, run: int, companion: Companion, profile: Profile, program: Path) -> None:
    """Do what follows a run, where it came to its end."""
    entry = _entry(companion)
    if entry is not None and entry.after is not None and journal.run(run).phase == Phase.FINISHED:
        entry.after(journal, run, companion, profile, program)


def _entry(companion: Companion) -> SentKind | None:
    return next((entry for entry in KINDS if isinstance(companion, entry.record)), None)
