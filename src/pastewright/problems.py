"""Problems as values: what is wrong, where, and how to mend it.

A reader or a stage gathers problems and hands them on with its result; `InputError` carries
the errors when there is no result. A mistake of our own is never a `Problem`: it stays a plain exception.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a problem matters: a note informs, a warning asks for a look, an error stops the work."""

    NOTE = "note"
    WARNING = "warning"
    ERROR = "error"


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing to tell a person: `what` it is, where (`file`, `line`), and how to `mend` it."""

    what: str
    mend: str = ""
    severity: Severity = Severity.ERROR
    file: str = ""
    line: int | None = None

    def __str__(self) -> str:
        place = self.file + (f":{self.line}" if self.line is not None else "")
        head = f"{place}: {self.what}" if place else self.what
        return f"{head}\n    {self.mend}" if self.mend else head


class InputError(Exception):
    """What the user gave cannot be used; `problems` says why, all of it at once."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def one_error(what: str, mend: str = "", *, file: str = "", line: int | None = None) -> InputError:
    """Return an `InputError` of a single problem, ready to raise."""
    return InputError([Problem(what=what, mend=mend, file=file, line=line)])
