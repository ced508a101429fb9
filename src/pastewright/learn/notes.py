"""Joints noted after reflow to dose rules for the job file: proposed with their evidence, written only when accepted.

    bridged, balled, stood up    too much paste, or unequal paste     a step less
    open, starved                too little                           a step more
    voided, shifted, other       not a matter of the dose             kept, and no rule

A rule comes from two boards or more, since a single joint fails for many reasons. A part that has joints with too much and
with too little gets none: another dose for all of it would mend one and spoil the other. What was noted of boards laid
before a rule was accepted is what the rule answers: it asks for no further step.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import unified_diff
from enum import StrEnum
from re import compile as pattern
from re import escape

from pastewright.job.read import parse_job
from pastewright.profile.new import toml_value


class JointDefect(StrEnum):
    """What can be wrong with a joint after reflow, in the trade's words."""

    BRIDGED = "bridged"
    BALLED = "balled"
    STOOD_UP = "stood-up"
    OPEN = "open"
    STARVED = "starved"
    VOIDED = "voided"
    SHIFTED = "shifted"
    OTHER = "other"


STEP = {
    JointDefect.BRIDGED: -10,
    JointDefect.BALLED: -10,
    JointDefect.STOOD_UP: -10,
    JointDefect.OPEN: 15,
    JointDefect.STARVED: 15,
}
"""Per cent of the dose (common practice: openings are cut by a tenth against bridges, balls and parts that stand up; too
little paste wants somewhat more, since joints forgive too much sooner)."""
LEAST_BOARDS = 2
LEAST_PERCENT, MOST_PERCENT = 50, 150
"""Beyond half and one and a half of a dose something else is wrong (the limits of print inspection, common practice)."""
_TABLE = pattern(r"\s*\[")
_RULE = pattern(r"\s*\[\[\s*rule\s*\]\]")


@dataclass(frozen=True, slots=True, kw_only=True)
class JointNote:
    """One remark: a part ("U3"), one of its pins or "" for the whole part, what is wrong, on which board, when."""

    part: str
    pin: str
    defect: JointDefect
    board: str
    dated: str
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """A rule that was accepted for a part: its share of the dose [%], the boards that were laid before it, and how many were
    laid since."""

    percent: int
    boards: frozenset[str]
    since: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedRule:
    """A rule that notes ask for; `percent` is 0 where none is proposed, and `why` says why, evidence included."""

    part: str
    pin: str
    percent: int
    why: str


def proposals(
    notes: Sequence[JointNote],
    *,
    boards: int,
    was_percent: Mapping[tuple[str, str], int],
    answered: Mapping[tuple[str, str], Answered] | None = None,
) -> tuple[ProposedRule, ...]:
    """Return what the notes of a design ask for, part by part; `boards` were laid, `was_percent` are rules that stand,
    `answered` those of them that notes asked for before.
    """
    found = []
    for part, pin in sorted({(note.part, note.pin) for note in notes}):
        mine = [note for note in notes if (note.part, note.pin) == (part, pin)]
        was = was_percent.get((part, pin), 100)
        before = (answered or {}).get((part, pin))
        if before is None or before.percent != was:
            found.append(_proposed(part, pin, mine, boards, was))
            continue
        fresh = [note for note in mine if note.board not in before.boards]
        if fresh:
            found.append(_proposed(part, pin, fresh, before.since, was))
            continue
        why = f"the rule of {was} % answers what was noted so far; note what boards laid with it show"
        found.append(ProposedRule(part=part, pin=pin, percent=0, why=why))
    return tuple(found)


def _proposed(part: str, pin: str, notes: Sequence[JointNote], boards: int, was: int) -> ProposedRule:
    def told(percent: int, why: str) -> ProposedRule:
        return ProposedRule(part=part, pin=pin, percent=percent, why=why)

    steps = {STEP.get(note.defect, 0) for note in notes} - {0}
    on = sorted({note.board for note in notes if note.defect in STEP})
    counts = {defect: len({n.board for n in notes if n.defect is defect}) for defect in JointDefect}
    said = ", ".join(f"{defect} on {count}" for defect, count in counts.items() if count)
    evidence = f"{said} of {max(boards, len(on))} boards ({', '.join(on[:6])}{' …' if len(on) > 6 else ''})"
    if not steps:
        return told(0, f"{said}: another dose would not mend that")
    if len(steps) > 1:
        return told(0, f"{evidence}: too much and too little, another dose would spoil one of them")
    if len(on) < LEAST_BOARDS:
        return told(0, f"{evidence}: one board is no evidence yet")
    percent = min(max(round(was * (1 + steps.pop() / 100)), LEAST_PERCENT), MOST_PERCENT)
    if percent == was:
        return told(0, f"{evidence}: the dose is at {was} % already; look at footprint, tip and oven instead")
    return told(percent, f"{evidence}; was {was} %")


def percents_of(text: str, file: str) -> dict[tuple[str, str], int]:
    """Return the shares that rules of a job file give to single parts and pins [%]."""
    found: dict[tuple[str, str], int] = {}
    for rule in parse_job(text, file).rules:
        if (
            rule.ref
            and not set("*?[") & set(rule.ref + rule.pin)
            and rule.scale is not None
            and not rule.kind
        ):
            found.setdefault((rule.ref, rule.pin), round(100 * rule.scale))
    return found


def with_rules(text: str, rules: Sequence[ProposedRule], *, file: str) -> str:
    """Return the job file's text with the rules in it, before all others; `InputError` should it not be a job then."""
    lines = text.splitlines()
    fresh: list[str] = []
    for rule in rules:
        if not rule.percent:
            continue
        lines = _without(lines, rule)
        fresh += ["[[rule]]", f"ref = {toml_value(rule.part)}"]
        if rule.pin:
            fresh.append(f"pin = {toml_value(rule.pin)}")
        fresh += [f"scale_percent = {rule.percent}", f"note = {toml_value('after reflow: ' + rule.why)}", ""]
    if not fresh:
        return text
    at = next((place for place, line in enumerate(lines) if _RULE.match(line)), len(lines))
    if at == len(lines) and lines and lines[-1].strip():
        fresh.insert(0, "")
    longer = "\n".join([*lines[:at], *fresh, *lines[at:]]).rstrip("\n") + "\n"
    parse_job(longer, file)
    return longer


def _without(lines: Sequence[str], rule: ProposedRule) -> list[str]:
    """Leave out the rule of this very part that notes wrote before."""
    kept: list[str] = []
    at = 0
    while at < len(lines):
        if not _RULE.match(lines[at]):
            kept.append(lines[at])
            at += 1
            continue
        end = next((p for p in range(at + 1, len(lines)) if _TABLE.match(lines[p])), len(lines))
        block = lines[at:end]
        if not _is_ours(block, rule):
            kept += block
        at = end
    return kept


def _is_ours(block: Sequence[str], rule: ProposedRule) -> bool:
    body = "\n".join(block)
    ref = pattern(rf"(?m)^ref = {escape(toml_value(rule.part))}$")
    pin = pattern(rf"(?m)^pin = {escape(toml_value(rule.pin))}$")
    has_pin = pattern(r"(?m)^\s*pin\s*=")
    same_pin = bool(pin.search(body)) if rule.pin else not has_pin.search(body)
    return bool(ref.search(body)) and same_pin and 'note = "after reflow: ' in body


def changed_lines(before: str, after: str, file: str) -> str:
    """Return the lines that would change, as a difference of the two texts."""
    return "".join(
        unified_diff(
            before.splitlines(keepends=True),
            after.splitlines(keepends=True),
            fromfile=file,
            tofile=f"{file}, with the rules",
            n=1,
        )
    )
