"""What is wrong with the dose rules of a profile or job."""

from collections.abc import Iterator

from pastewright.problems import Problem
from pastewright.profile.values import Table, Values, WrongValueError


def rule_problems(values: Values) -> Iterator[Problem]:
    """Yield what is wrong with dose rules: none or several actions, no pads named, an empty range of areas."""
    for index, rule in enumerate(values.rules, start=1):
        try:
            yield from _rule_acts(values, rule, index)
        except WrongValueError:
            continue


_ACTIONS = ("volume_ul", "scale_percent", "coverage_percent", "skip")


def _rule_acts(values: Values, rule: Table, index: int) -> Iterator[Problem]:
    acting = [name for name in _ACTIONS[:3] if rule.maybe_number(name) is not None]
    acting += ["skip"] if rule.values.get("skip") else []
    if len(acting) != 1 and "skip" in rule.values:
        yield values.problem(
            rule,
            "",
            f"dose rule {index} has {' and '.join(acting) if acting else 'nothing to do'}; it needs exactly one",
            "Give one of volume_ul, scale_percent, coverage_percent, or skip = true.",
        )
    high = rule.maybe_number("area_to_mm2")
    if high is not None and rule.number("area_from_mm2") >= high:
        yield values.problem(
            rule,
            "area_to_mm2",
            f"dose rule {index} matches no pad: area_from_mm2 is not below area_to_mm2 {high:g}",
            "Give the smaller area first.",
        )
    if not rule.given & {"ref", "pin", "kind", "area_from_mm2", "area_to_mm2"}:
        yield values.problem(
            rule,
            "",
            f"dose rule {index} names no pads",
            'Add ref, pin, kind or an area; ref = "*" means all.',
        )
