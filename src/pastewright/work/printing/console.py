"""What every command prints with: one console for results, one for problems."""

import sys
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from pastewright.alike import told_together
from pastewright.problems import Problem, Severity

if TYPE_CHECKING:
    from collections.abc import Callable

Result = TypeVar("Result")

# Into a pipe or file nothing is folded: lines stay whole for other programs, and tables keep their columns.
PIPE_WIDTH = 200


class _Console(Console):
    """A console that leaves it to `main` what the exit code is when a reader has gone."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


out = _Console(
    highlight=False, width=None if sys.stdout.isatty() else PIPE_WIDTH, soft_wrap=not sys.stdout.isatty()
)
err = _Console(stderr=True, highlight=False, soft_wrap=not sys.stderr.isatty())

MOST_SHOWN = 40  # one screen
_STYLE = {Severity.NOTE: "dim", Severity.WARNING: "yellow", Severity.ERROR: "bold red"}


def printed_by(work: "Callable[[], Result]") -> tuple[Result, str]:
    """Return what a piece of work gives, and what it prints as plain text: a page shows it, whatever terminal its server
    was started in.
    """
    out.soft_wrap = True
    with out.capture() as printed:
        result = work()
    return result, Text.from_ansi(printed.get()).plain


def print_problems(problems: Sequence[Problem]) -> None:
    """Print problems to standard error: what, where, how to mend."""
    for problem in problems[:MOST_SHOWN]:
        err.print(f"[{_STYLE[problem.severity]}]{problem.severity}[/] {escape(str(problem))}")
    if len(problems) > MOST_SHOWN:
        err.print(f"… and {len(problems) - MOST_SHOWN} more.")


def print_warnings(warnings: Sequence[str], *, most: int = 12, every: bool = False) -> None:
    """Print warnings, those alike together and the first `most` of them; or `every` single one."""
    lines = list(warnings) if every else told_together(warnings)
    shown = lines if every else lines[:most]
    for words in shown:
        out.print(f"[yellow]look[/] {escape(words)}")
    if len(shown) < len(lines):
        out.print(
            f"[yellow]look[/] … and {len(lines) - len(shown)} more, all in report.html; --every-warning lists them"
        )


def table_of(*headings: str, words: Collection[str] = ()) -> Table:
    """Return an empty table; columns headed by one of `words` hold text, which folds, the others whole numbers.

    At a terminal headings of numbers stand in several lines, so that narrow ones hold the table too.
    """
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in headings:
        if heading in words:
            table.add_column(heading, overflow="fold")
        else:
            shown = heading.replace(" ", "\n") if out.is_terminal else heading
            table.add_column(shown, justify="right", no_wrap=True)
    return table


def print_file(what: str, path: Path) -> None:
    """Print which file was written, and what it is."""
    out.print(f"  {what:<8} {escape(str(path))}")


def print_names(rows: Iterable[tuple[str, str]]) -> None:
    """Print names with what they mean."""
    for name, words in rows:
        out.print(f"{name:<24}{escape(words)}")


def print_next(words: str, command: str) -> None:
    """Print what was done, and the command that comes next."""
    out.print(escape(words))
    out.print(f"  {escape(command)}")


@contextmanager
def stages(names: Sequence[str]) -> "Iterator[Callable[[str], None]]":
    """Give a function to call at the start of each stage; a bar shows how far the work is, at a terminal only."""
    if not err.is_terminal:
        yield lambda _stage: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.description:<12}"),
        BarColumn(bar_width=32),
        TextColumn("{task.completed:.0f}/{task.total:.0f}"),
        TimeElapsedColumn(),
        console=err,
        transient=True,
    )
    with bar:
        task = bar.add_task(names[0], total=len(names))

        def begin(stage: str) -> None:
            done = names.index(stage) if stage in names else 0
            bar.update(task, description=stage, completed=done)
            bar.refresh()

        yield begin
