"""The command line: the table of commands becomes a program, and its ends become exit codes."""

import atexit
import gc
import inspect
import os
import sys
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields
from importlib import import_module
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from pastewright.cli.commands import BRIEF, COMMANDS, GROUPS
from pastewright.cli.given import spare_pydantic
from pastewright.cli.usage import usage_problem
from pastewright.uncollected import uncollected
from pastewright.version import __version__
from pastewright.work.exits import DONE, INTERRUPTED, NO_READER, OUR_MISTAKE, WRONG_INPUT
from pastewright.work.options import BUNDLES

if TYPE_CHECKING:
    from pastewright.problems import Problem

HELP = "From a board's fabrication files to a verified program that lays solder paste."


def main() -> None:
    """Run the command line; bad input ends with a message and exit code 2, never with a traceback."""
    atexit.register(gc.freeze)  # what is left goes with the process: nothing of it is looked for once more
    try:
        code = _ended()
        sys.stdout.flush()
    except BrokenPipeError:
        # What is still buffered has nowhere to go; without this Python would complain once more at its end.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for stream in (sys.stdout, sys.stderr):
            os.dup2(nowhere, stream.fileno())
        code = NO_READER
    sys.exit(code)


def _ended() -> int:
    """Run the command line; returns the exit code, with what went wrong told."""
    from pastewright.problems import InputError, Problem

    try:
        code = spare_pydantic(typer.main.get_command(_program(sys.argv[1:])))(standalone_mode=False)
    except InputError as error:
        _tell(error.problems)
        return WRONG_INPUT
    except typer.Abort:
        print("Stopped; nothing was written after this point.", file=sys.stderr)
        return INTERRUPTED
    except typer.Exit as leave:
        return leave.exit_code
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        raise
    except Exception as error:
        if not hasattr(error, "show") or not hasattr(error, "exit_code"):
            traceback.print_exc()
            print("This is a mistake of pastewright itself, not yours; please report it.", file=sys.stderr)
            return OUR_MISTAKE
        wrong = usage_problem(error)
        if wrong is None:
            error.show()
        else:
            _tell([Problem(what=wrong[0], mend=wrong[1])])
        return WRONG_INPUT
    return code if isinstance(code, int) else DONE


def _tell(problems: "Sequence[Problem]") -> None:
    from pastewright.work.printing.console import print_problems

    print_problems(problems)


def unbundled(command: Callable[..., int]) -> Callable[..., int]:
    """Return `command` with each parameter that is a bundle of options replaced by these options."""
    hints = get_type_hints(command, include_extras=True)
    bundles: dict[str, type] = {}
    shown: list[inspect.Parameter] = []
    for parameter in inspect.signature(command).parameters.values():
        hint = hints[parameter.name]
        if hint not in BUNDLES:
            shown.append(parameter.replace(annotation=hint))
            continue
        bundles[parameter.name] = hint
        of_fields = get_type_hints(hint, include_extras=True)
        for field in fields(hint):
            default = inspect.Parameter.empty if field.default is MISSING else field.default
            shown.append(
                inspect.Parameter(
                    field.name,
                    inspect.Parameter.KEYWORD_ONLY,
                    default=default,
                    annotation=of_fields[field.name],
                )
            )

    def carried_out(**given: Any) -> int:
        for name, bundle in bundles.items():
            given[name] = bundle(**{field.name: given.pop(field.name) for field in fields(bundle)})
        return command(**given)

    keyword_only = [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in shown]
    carried_out.__signature__ = inspect.Signature(keyword_only)  # type: ignore[attr-defined]
    carried_out.__annotations__ = {one.name: one.annotation for one in shown}
    carried_out.__doc__ = command.__doc__
    return carried_out


def _version(wanted: bool) -> None:
    if wanted:
        print(f"pastewright {__version__}")
        raise typer.Exit


def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    pass


def _built(commands: Mapping[str, str], groups: Mapping[str, str]) -> typer.Typer:
    """Return the program of a table: words of the command to "module:function" of the folder `commands`."""
    top = typer.Typer(
        name="pastewright",
        help=HELP,
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )
    top.callback(help=HELP)(_common)
    inner = {
        name: typer.Typer(help=words, no_args_is_help=True, rich_markup_mode=None)
        for name, words in groups.items()
    }
    for name, group in inner.items():
        top.add_typer(group, name=name)
    for words, place in commands.items():
        group_name, _, name = words.rpartition(" ")
        module, _, function = place.partition(":")
        command = getattr(import_module(f"pastewright.cli.commands.{module}"), function)
        run = unbundled(command)
        (inner[group_name] if group_name else top).command(name)(
            uncollected()(run) if words in BRIEF else run
        )
    return top


def _program(words: Sequence[str]) -> typer.Typer:
    """Return the program as far as what was typed needs it: one command or group of them, or all where it names none.

    Describing all of them takes as long as half a wrong option does (measured).
    """
    first = words[0] if words else ""
    named = {typed: place for typed, place in COMMANDS.items() if typed.partition(" ")[0] == first}
    return _built(named or COMMANDS, {first: GROUPS[first]} if first in GROUPS else {} if named else GROUPS)


def __getattr__(name: str) -> typer.Typer:
    """Return `app`, the program with all its commands."""
    if name == "app":
        return _program([])
    raise AttributeError(f"there is no {name} in {__name__}")
