"""Dose rules: which rule of the profile speaks for a pad.

The first rule that matches decides, alone: write the exceptions first and the general rules after them. All of
a rule's criteria must match; patterns are shell-style and mind the case of letters. Areas are those of the land.
A rule that names no kind speaks only of pads that get paste without it, so that `ref = "*"` never puts paste on
a fiducial; to paste a test point, or a through-hole pad that is no joint for paste (`pasted_joint`), name its kind.
"""

from collections.abc import Sequence
from fnmatch import fnmatchcase

from pastewright.board.model import Pad, PadKind, PartlyNamed
from pastewright.profile.model import DoseRule

_NEVER_UNASKED = frozenset({PadKind.FIDUCIAL, PadKind.TEST_POINT})


def matches(rule: DoseRule, pad: Pad, *, land_mm2: float, paste_in_hole: bool) -> bool:
    """Tell whether a rule speaks of a pad whose land has `land_mm2`."""
    return _names(rule, pad, land_mm2=land_mm2) and (
        bool(rule.kind) or not _bare_unasked(pad, paste_in_hole=paste_in_hole)
    )


def _names(rule: DoseRule, pad: Pad, *, land_mm2: float) -> bool:
    if rule.kind and rule.kind != pad.kind:
        return False
    if not rule.area_from_mm2 <= land_mm2 <= rule.area_to_mm2:
        return False
    return _fits(rule.ref, pad.ref) and _fits(rule.pin, pad.pin)


def _bare_unasked(pad: Pad, *, paste_in_hole: bool) -> bool:
    return pad.kind in _NEVER_UNASKED or (
        pad.kind is PadKind.THROUGH_HOLE and not pasted_joint(pad, paste_in_hole=paste_in_hole)
    )


def pasted_joint(pad: Pad, *, paste_in_hole: bool) -> bool:
    """Tell whether a pad is a through-hole joint that gets paste without a rule.

    The paste layer of the side must open over it: the same hole is seen from both sides, and only the
    designer knows from which one its part is put in.
    """
    return paste_in_hole and pad.kind is PadKind.THROUGH_HOLE and bool(pad.apertures)


def _fits(pattern: str, name: str) -> bool:
    # A pad without a name is met by no pattern, not even by "*": the file did not say what it is.
    return not pattern or (bool(name) and fnmatchcase(name, pattern))


def rules_of_pads(
    rules: Sequence[DoseRule], pads: Sequence[Pad], *, land_mm2: Sequence[float], paste_in_hole: bool
) -> tuple[tuple[DoseRule | None, ...], tuple[str, ...]]:
    """Return the rule that decides for each pad (None: none does), and a warning for each rule that never does."""
    decided: list[DoseRule | None] = [None] * len(pads)
    warnings: list[str] = []
    for rule in rules:
        matched = decides = 0
        for index, pad in enumerate(pads):
            if matches(rule, pad, land_mm2=land_mm2[index], paste_in_hole=paste_in_hole):
                matched += 1
                if decided[index] is None:
                    decides += 1
                    decided[index] = rule
        if not decides:
            bare = [pad for pad, area in zip(pads, land_mm2, strict=True) if _names(rule, pad, land_mm2=area)]
            # A rule that keeps bare what is bare anyway has what it asks for.
            if matched or not (rule.skip and bare):
                warnings.append(_unused(rule, matched=matched, bare=bare))
    return tuple(decided), tuple(warnings)


def missed_by_rules(rules: Sequence[DoseRule], partly: Sequence[PartlyNamed]) -> list[str]:
    """Return a warning for each rule that names a part of which only some pads bear the name."""
    return [
        f"{rule_words(rule)} reaches {each.named} of the {each.of} pads of {each.ref}: the others bear no name"
        for rule in rules
        for each in partly
        if rule.ref and _fits(rule.ref, each.ref)
    ]


def _unused(rule: DoseRule, *, matched: int, bare: Sequence[Pad]) -> str:
    name = rule_words(rule)
    if matched:
        return (
            f"{name} decides nothing: earlier rules speak for all {matched} pads that it matches. Move it up."
        )
    if bare:
        kinds = " or ".join(sorted({f'"{pad.kind}"' for pad in bare}))
        return f"{name} matches only pads that get no paste unasked: {len(bare)} of them. To paste them, add kind = {kinds}."
    return f"{name} matches no pad of this side. Check its patterns and letter case."


def rule_words(rule: DoseRule) -> str:
    """Return how a message names a rule: its line, its criteria and its note."""
    criteria = [
        f"{name} {value}"
        for name, value in (("pad", rule.pad_id), ("ref", rule.ref), ("pin", rule.pin), ("kind", rule.kind))
        if value
    ]
    if rule.area_from_mm2 > 0:
        criteria.append(f"area from {rule.area_from_mm2:g} mm²")
    if rule.area_to_mm2 != float("inf"):
        criteria.append(f"area to {rule.area_to_mm2:g} mm²")
    where = (
        f"dose rule of {rule.file + ' ' if rule.file else ''}line {rule.line}" if rule.line else "dose rule"
    )
    words = f"{where} ({', '.join(criteria) or 'every pad'})"
    return f"{words} “{rule.note}”" if rule.note else words
