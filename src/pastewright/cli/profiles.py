"""`pastewright profile`: write a commented bench file, check one, list the examples."""

import sys
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

import typer
from rich.markup import escape

from pastewright.cli.console import out as console
from pastewright.cli.console import print_problems
from pastewright.cli.exits import DONE
from pastewright.cli.reading import load_profile
from pastewright.plunger.bench import bench_of
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.checks import profile_warnings
from pastewright.profile.examples import example_names, example_text
from pastewright.profile.new import Question, answer, profile_text, questions


def new_command(file: Path, *, base: str | None, values: Sequence[str], force: bool) -> int:
    """Write a profile from an example, from `--set` words, or from answers given at a terminal."""
    if file.exists() and not force:
        raise one_error(
            "this file is there already", "Choose another name, or overwrite it with --force.", file=str(file)
        )
    given = _given(values)
    if base is not None:
        given = {**_flat(tomllib.loads(example_text(base))), **given}
    elif not given:
        given = _asked()
    text = profile_text(given)
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the profile cannot be written: {error.strerror or error}",
            "Choose another place.",
            file=str(file),
        ) from None
    console.print(f"Wrote {escape(str(file))}. Every key has its comment; check it after changes with:")
    console.print(f"  pastewright profile check {escape(str(file))}")
    return DONE


def check_command(file: Path) -> int:
    """Check a profile and say what its bench can do."""
    profile = load_profile(file)
    bench = bench_of(profile)
    console.print(f"[bold green]good[/] {escape(profile.name)}")
    console.print(
        f"  one microstep lays {profile.microstep_ul * 1000:.3g} nL; ten make {profile.microstep_ul * 10:.4f} µL"
    )
    console.print(
        f"  paste flows above {bench.yield_kpa:.1f} kPa and rests at {bench.rest_kpa:.1f} kPa; the motor holds up to"
        f" {bench.limit_kpa:.0f} kPa"
    )
    console.print(f"  pushes and retracts at up to {bench.push_ul_s:.3g} µL/s")
    print_problems(profile_warnings(profile))
    return DONE


def examples_command() -> int:
    """List the example profiles by name, with their own title."""
    for name in example_names():
        console.print(f"{name:<24}{escape(str(tomllib.loads(example_text(name))['name']))}")
    console.print("Start from one with: pastewright profile new bench.toml --from NAME")
    return DONE


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
