"""The values of a new profile: given as words, taken from an example, or asked for at a terminal."""

import sys
import tomllib
from collections.abc import Mapping, Sequence

import typer

from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.examples import example_text
from pastewright.profile.new import Question, answer, questions
from pastewright.profile.read import parse_profile
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_problems


def profile_values(base: str | None, words: Sequence[str]) -> tuple[dict[str, object], bool]:
    """Return values by path from an example and `--set` words, or from answers where neither is given.

    The second value tells whether a person was asked.
    """
    given = _given(words)
    if base is not None:
        return {**_flat(tomllib.loads(example_text(base))), **given}, False
    return (given, False) if given else (_asked(), True)


def wrong_lines(text: str, file: str) -> tuple[Problem, ...]:
    """Return what is wrong with a profile's text, by its lines."""
    try:
        parse_profile(text, file)
    except InputError as error:
        return error.problems
    return ()


def _given(words: Sequence[str]) -> dict[str, object]:
    values: dict[str, object] = {}
    problems: list[Problem] = []
    for word in words:
        path, mark, text = word.partition("=")
        try:
            if not mark:
                raise one_error(
                    f"--set {word!r} is not SECTION.KEY=VALUE", 'Write for example --set "tip.gauge=23".'
                )
            values[path.strip()] = answer(path.strip(), text)
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(problems)
    return values


def _flat(tables: Mapping[str, object]) -> dict[str, object]:
    """Values by path; the list of dose rules stays one value."""
    flat: dict[str, object] = {}
    for name, value in tables.items():
        if not isinstance(value, Mapping):
            flat[name] = value
            continue
        for key, inner in value.items():
            flat[f"{name}.{key}"] = inner
    return flat


def _asked() -> dict[str, object]:
    if not sys.stdin.isatty():
        raise one_error(
            "there is nobody to ask",
            "Give values with --set, or start from an example with --from (see `profile examples`).",
        )
    console.print(
        "Answer for your bench; Enter takes the value in brackets. Everything can be changed in the file."
    )
    return {question.path: _ask(question) for question in questions()}


def _ask(question: Question) -> object:
    while True:
        shown = "" if question.default is None else str(question.default)
        text = typer.prompt(question.prompt, default=shown or None, show_default=bool(shown))
        try:
            return question.check(str(text))
        except InputError as error:
            print_problems(error.problems)
