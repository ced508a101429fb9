"""Findings of the Gerber reader, gathered while it reads, so that a person hears of all of them at once."""

from typing import NoReturn

from pastewright.problems import InputError, Problem, Severity

MOST_ERRORS = 100
"""Errors told in full. A file with more is no board; the rest is only counted."""

STOP_AFTER_ERRORS = 2000
"""Reading ends here: bounded work for a file that is something else."""

EXPORT_AGAIN = "Export this layer again, or choose another file."


class Complaints:
    """The problems of one file. Notes and warnings of one kind (`key`) are told once, at their first line."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.errors = 0
        self._problems: list[Problem] = []
        self._told: set[str] = set()

    def error(self, what: str, mend: str = EXPORT_AGAIN, *, line: int | None = None, key: str = "") -> None:
        """Keep an error; with a `key`, only the first of its kind. Raises `InputError` when too many came."""
        if key and key in self._told:
            return
        if key:
            self._told.add(key)
        self.errors += 1
        if self.errors <= MOST_ERRORS:
            self._problems.append(Problem(what=what, mend=mend, file=self.file, line=line))
        if self.errors >= STOP_AFTER_ERRORS:
            self.give_up()

    def fatal(self, what: str, mend: str = EXPORT_AGAIN, *, line: int | None = None) -> NoReturn:
        """Keep an error after which nothing more can be read; raises `InputError` with all that was gathered."""
        self.errors += 1
        self._problems.append(Problem(what=what, mend=mend, file=self.file, line=line))
        self.give_up()

    def warn(self, what: str, mend: str = "", *, line: int | None = None, key: str = "") -> None:
        """Keep a warning."""
        self._keep(Severity.WARNING, what, mend, line, key)

    def note(self, what: str, mend: str = "", *, line: int | None = None, key: str = "") -> None:
        """Keep a note."""
        self._keep(Severity.NOTE, what, mend, line, key)

    def _keep(self, severity: Severity, what: str, mend: str, line: int | None, key: str) -> None:
        told = key or f"{severity}:{what}"
        if told in self._told or len(self._told) > STOP_AFTER_ERRORS:
            return
        self._told.add(told)
        self._problems.append(Problem(what=what, mend=mend, severity=severity, file=self.file, line=line))

    def give_up(self) -> NoReturn:
        """Raise `InputError` with everything gathered so far, errors first."""
        problems = sorted(self._problems, key=_errors_first)
        if self.errors > MOST_ERRORS:
            more = f"{self.errors - MOST_ERRORS} more errors follow; they are not listed."
            problems.append(Problem(what=more, mend=EXPORT_AGAIN, file=self.file))
        raise InputError(problems)

    def result(self) -> tuple[Problem, ...]:
        """Return notes and warnings by line; raises `InputError` if there was any error."""
        if self.errors:
            self.give_up()
        return tuple(sorted(self._problems, key=_errors_first))


def _errors_first(problem: Problem) -> tuple[bool, float]:
    """Return a key that sorts errors first, and each kind by line; what has no line is about the whole file."""
    return problem.severity is not Severity.ERROR, float("inf") if problem.line is None else problem.line
