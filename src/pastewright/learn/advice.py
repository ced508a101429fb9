"""What a process told to sentences that say what to do, the gravest first."""

from pastewright.learn.charts import EWMA_NAME, AlarmRule
from pastewright.learn.process import ClassTold, PartTold, ProcessTold

GOAL = 1.33
"""Cpk that is commonly asked for (common practice)."""
LEAST = 1.0
"""Below this some deposits are bound to lie beyond the limits: three sigma reach one of them."""
RARE = 0.002
"""Missing or bridged deposits: above this one board of a hundred deposits in five has one (own choice)."""
FIRM = 30
"""With fewer values an interval says more than its number (common practice)."""


def advice(told: ProcessTold) -> tuple[str, ...]:
    """Return what to do, in words; one sentence of praise where there is nothing."""
    said: list[str] = []
    for one in told.classes:
        said += _of_class(one)
    said += [_of_part(part) for part in told.parts[:3] if part.wrong.found > 1]
    said += _of_charts(told)
    if told.drift is not None and (told.drift.low > 0 or told.drift.high < 0):
        way = "more" if told.drift.per_hour > 0 else "less"
        said.append(
            f"volumes change by {told.drift.per_hour:+.1%} an hour of the paste's age: {way} with time. Measure the witness"
            " row (key w in a batch) so that the next board is planned for it, or change the paste sooner"
        )
    return tuple(said) or ("all classes are capable, and nothing drifts: go on",)


def _of_class(one: ClassTold) -> list[str]:
    said: list[str] = []
    for found, word, cure in (
        (one.missing, "missing", "clean or change the tip, look at the height there, or give larger doses"),
        (
            one.bridged,
            "bridged",
            "give less paste there by a dose rule in job.toml, or let the gap be larger",
        ),
    ):
        if found is not None and found.low > RARE:
            said.append(
                f"{one.kind}: {found.share:.1%} are {word} ({found.found} of {found.of}, 95 %: {found.low:.1%} to"
                f" {found.high:.1%}): {cure}"
            )
    able = one.able
    if able is None:
        said.append(f"{one.kind}: too few volumes were measured; inspect more boards")
        return said
    if able.cpk_high < GOAL or able.cpk < LEAST:
        if one.cp_low > LEAST and able.cpk < able.cp - 0.2:
            said.append(
                f"{one.kind}: Cpk {able.cpk:.2f} though Cp is {able.cp:.2f}: the mean lies at {able.mean:.0%} of the dose."
                " Correct it (witness row, or tune fit with a weighing); the spread is narrow enough"
            )
        else:
            said.append(
                f"{one.kind}: Cpk {able.cpk:.2f} ({able.cpk_low:.2f} to {able.cpk_high:.2f}), single deposits spread by"
                f" {able.sigma:.0%}: bleed the barrel, look for lumps and a worn tip, or lay fewer sizes after each other"
            )
    elif able.cpk_low < GOAL:
        few = f" from only {able.count} volumes" if able.count < FIRM else ""
        said.append(
            f"{one.kind}: Cpk {able.cpk:.2f}{few}, between {able.cpk_low:.2f} and {able.cpk_high:.2f}: whether it reaches"
            f" {GOAL} is open; inspect more boards"
        )
    return said


def _of_part(part: PartTold) -> str:
    states = ", ".join(f"{count} {state}" for state, count in part.states)
    return (
        f"{part.ref} fails on {part.wrong.found} of {part.wrong.of} deposits ({states}): look at it first; a dose rule of"
        f' its own is [[rule]] ref = "{part.ref}" in job.toml'
    )


def _of_charts(told: ProcessTold) -> list[str]:
    said = []
    for chart in told.charts:
        if not chart.alarms:
            continue
        first = chart.alarms[0]
        more = f" and {len(chart.alarms) - 1} more" if len(chart.alarms) > 1 else ""
        # Single boards beyond the limits are events; what adds up over boards, as weighted means do, is a drift.
        drifts = chart.name == EWMA_NAME or any(alarm.rule is not AlarmRule.BEYOND for alarm in chart.alarms)
        cure = (
            "a drift: measure the witness row and correct"
            if drifts
            else "something happened then: a refill, another card, a tip that was touched?"
        )
        said.append(f"{chart.name}: {chart.named(first.at)}{more}, {first.rule}; {cure}")
    return said
