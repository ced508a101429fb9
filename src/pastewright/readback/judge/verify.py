"""Program, expectation and bench to the `Verdict`: read the text, run axes and barrel, apply every rule."""

from collections import Counter
from collections.abc import Iterable

from pastewright.profile.model import Profile
from pastewright.readback.judge import rules_motion, rules_paste, rules_pattern, rules_places, rules_row
from pastewright.readback.judge.evidence import CaseFile, gather
from pastewright.readback.machine.barrel import bench_of
from pastewright.readback.model import Delivered, Expected, Finding, Verdict
from pastewright.readback.text.interpret import interpret

MOST_OF_A_KIND = 100  # a page of the report; the rest are counted


def verify(text: str, expected: Expected, profile: Profile) -> Verdict:
    """Return whether `text`, run by the controller of `profile`, lays what is `expected`, and nothing else.

    Never raises for a bad program: whatever is wrong with it is a finding. Findings are in the order of the
    lines; of one kind, at most `MOST_OF_A_KIND` are listed and the rest counted.
    """
    return verdict_of(case_of(text, expected, profile))


def case_of(text: str, expected: Expected, profile: Profile) -> CaseFile:
    """Return what `text` makes of machine and barrel, for a verdict and for what else is asked of the same program."""
    reading = interpret(text, profile.controller, plunger_letter=profile.plunger.letter)
    return gather(reading, expected, profile, bench_of(profile))


def verdict_of(seen: CaseFile) -> Verdict:
    """Return the verdict on a program already read and run."""
    if seen.expected.dry:
        rules = (*rules_motion.DRY_RULES, *rules_paste.DRY_RULES, *rules_places.DRY_RULES)
    else:
        rules = (
            *rules_motion.RULES,
            *rules_paste.RULES,
            *rules_places.RULES,
            *rules_pattern.RULES,
            *rules_row.RULES,
        )
    findings = [*seen.reading.findings]
    for rule in rules:
        findings.extend(rule(seen))
    shown = _shown(findings)
    return Verdict(
        ok=not shown,
        findings=shown,
        delivered=delivered(seen),
        out_ul=float(seen.paste.out_ul.sum()),
        swept_ul=seen.paste.swept_ul,
        stored_ul=seen.paste.stored_ul,
        machine_s=float(seen.moves.duration_s.sum()),
        trace=seen.paste.trace,
    )


def delivered(seen: CaseFile) -> tuple[Delivered | None, ...]:
    """Return what each expected deposit got, in their order; None for one that got nothing."""
    return tuple(
        Delivered(
            volume_ul=sum(visit.volume_ul for visit in visits),
            line=visits[0].line,
            peak_kpa=max(visit.peak_kpa for visit in visits),
        )
        if visits
        else None
        for visits in seen.ledger.laid
    )


def _shown(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    ordered = sorted(findings, key=lambda finding: finding.line)
    counts: Counter[str] = Counter()
    shown = []
    for finding in ordered:
        counts[finding.kind] += 1
        if counts[finding.kind] <= MOST_OF_A_KIND:
            shown.append(finding)
    for kind, count in counts.items():
        if count > MOST_OF_A_KIND:
            last = next(finding for finding in ordered if finding.kind == kind)
            shown.append(
                Finding(
                    kind=last.kind, what=f"… and {count - MOST_OF_A_KIND} more of this kind: {kind}", line=0
                )
            )
    return tuple(shown)
