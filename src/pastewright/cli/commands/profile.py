"""`pastewright profile`: write a commented bench file, check one, list the examples."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ForceOption


def new(
    file: Annotated[Path, typer.Argument(help="The profile to write.")],
    *,
    base: Annotated[
        str | None, typer.Option("--from", metavar="EXAMPLE", help="Start from an example profile.")
    ] = None,
    values: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="SECTION.KEY=VALUE", help='A value, e.g. "tip.gauge=23". Repeat.'),
    ] = None,
    force: ForceOption = False,
) -> int:
    """Write a commented profile, by asking at a terminal or from --from and --set."""
    from pastewright.cli.answers import profile_values, wrong_lines
    from pastewright.problems import InputError
    from pastewright.profile.new import draft_text, profile_text
    from pastewright.work.exits import DONE, WRONG_INPUT
    from pastewright.work.printing.console import print_next, print_problems
    from pastewright.writing import refuse_existing, write_text

    if not force:
        refuse_existing(file, "Choose another name, or overwrite it with --force.")
    given, asked = profile_values(base, values or [])
    try:
        text = profile_text(given)
    except InputError:
        if not asked:
            raise
        # A person's answers are worth more than a file that is right: what is wrong is told by its lines.
        text = draft_text(given)
        write_text(file, text, what="the profile", mend="Choose another place.")
        print_problems(wrong_lines(text, str(file)))
        print_next(
            f"Your answers are in {file}. Mend these lines, then:", f"pastewright profile check {file}"
        )
        return WRONG_INPUT
    write_text(file, text, what="the profile", mend="Choose another place.")
    print_next(
        f"Wrote {file}. Every key has its comment; check it after changes with:",
        f"pastewright profile check {file}",
    )
    return DONE


def check(file: Annotated[Path, typer.Argument(help="The profile to check.")]) -> int:
    """Check a profile: every wrong key, unit and range at once, then what the bench can do."""
    from pastewright.work.exits import DONE
    from pastewright.work.printing.checked import print_profile
    from pastewright.work.reading import load_profile

    print_profile(load_profile(file))
    return DONE


def examples() -> int:
    """List the example profiles."""
    import tomllib

    from pastewright.profile.examples import example_names, example_text
    from pastewright.work.exits import DONE
    from pastewright.work.printing.console import out, print_names

    print_names((name, str(tomllib.loads(example_text(name))["name"])) for name in example_names())
    out.print("Start from one with: pastewright profile new bench.toml --from NAME")
    return DONE
