"""What a process told, at the terminal."""

from rich.markup import escape

from pastewright.counting import counted
from pastewright.learn.advice import advice
from pastewright.learn.process import DefectRate, ProcessTold
from pastewright.work.printing.console import out, table_of


def print_process(told: ProcessTold) -> None:
    """Print classes, charts, parts, drift, and what to do."""
    out.print(f"{counted(len(told.boards), 'board')}, {counted(told.deposits, 'deposit')}")
    table = table_of(
        "class", "volumes", "mean", "spread", "Cp", "Cpk", "missing", "bridged", "not seen", words=("class",)
    )
    for one in told.classes:
        able = one.able
        table.add_row(
            escape(one.kind),
            str(able.count if able else 0),
            f"{able.mean:.0%}" if able else "",
            f"{able.sigma:.1%}" if able else "",
            f"{able.cp:.2f} ({one.cp_low:.2f}…{one.cp_high:.2f})" if able else "",
            f"{able.cpk:.2f} ({able.cpk_low:.2f}…{able.cpk_high:.2f})" if able else "",
            _rate(one.missing),
            _rate(one.bridged),
            str(one.not_seen),
        )
    out.print(table)
    out.print("[dim]in brackets: 95 % intervals; rates by the binomial distribution, exact[/]")
    for chart in told.charts:
        alarms = ", ".join(f"{escape(chart.named(one.at))}: {one.rule}" for one in chart.alarms[:6])
        out.print(
            f"{chart.name}: centre {chart.centre:.3f}, limits {chart.low[-1]:.3f} to {chart.high[-1]:.3f};"
            f" {alarms or 'no alarm'}"
        )
    if not told.charts:
        out.print("control charts need five boards or more")
    if told.drift is not None:
        drift = told.drift
        out.print(
            f"with the paste's age: {drift.per_hour:+.1%} an hour ({drift.low:+.1%} to {drift.high:+.1%}),"
            f" {counted(drift.boards, 'board')}"
        )
    for part in told.parts[:8]:
        states = ", ".join(f"{count} {state}" for state, count in part.states)
        out.print(f"{escape(part.ref)}: {part.wrong.found} of {part.wrong.of} wrong ({states})")
    for words in advice(told):
        out.print(f"[bold]do[/] {escape(words)}")


def _rate(rate: DefectRate | None) -> str:
    if rate is None:
        return ""
    return f"{rate.share:.1%} ({rate.low:.1%}…{rate.high:.1%})"
