"""What is given on the command line to values, without the library that checks them where there is little to check.

typer hands every option of a command, given or not, to pydantic; loading it and describing thirty options to it takes a
third of what a wrong option takes in all (measured). An option that is not given, a text, a path, and a number without
limits need none of that. All else goes to pydantic as before, when it is first given.
"""

from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from types import UnionType
from typing import Any, Union, get_args, get_origin

import typer

_NUMBERS: dict[Any, str] = {int: "a whole number is wanted", float: "a number is wanted"}


def spare_pydantic(command: Any) -> Any:
    """Return a command as it was, its options and those of all commands below it made into values here."""
    for param in _params(command):
        if getattr(param, "_runtime_param", param) is None:  # another typer may do it in another way
            param._runtime_param = _Given(param)
    return command


def _params(command: Any) -> Iterator[Any]:
    yield from command.get_params(typer.Context(command))  # these have --help among them
    for one in getattr(command, "commands", {}).values():
        yield from _params(one)


class _Given:
    """One option of a command; asked with what was given for it."""

    def __init__(self, param: Any) -> None:
        self._build = param.get_runtime_param
        self._param = param
        self._described: Any = None

    def coerce(self, value: Any, param: Any, ctx: Any) -> Any:
        """Return the value that a command gets for what was given."""
        descriptor = param.type_descriptor
        many = param.multiple or param.nargs == -1
        if value is None or (many and value == ()):
            return () if many else None
        annotation = descriptor.annotation
        if isinstance(annotation, type) and issubclass(annotation, Enum) and isinstance(value, annotation):
            return value
        kind = _plain(annotation)
        if kind in _NUMBERS and type(value) is kind:
            return value  # what holds where nothing is given; a number that is given comes as text
        if many and kind in (str, Path):
            return [kind(one) for one in value]
        if many or kind is None or not isinstance(value, str):
            return self._by_pydantic(value, param, ctx)
        if kind is str or kind is Path:
            return kind(value)
        info = descriptor.parameter_info
        try:
            number = kind(value)
        except ValueError:
            raise typer.BadParameter(_NUMBERS[kind], ctx=ctx, param=param) from None
        if info.min is not None or info.max is not None or number != number:
            return self._by_pydantic(value, param, ctx)
        return number

    def _by_pydantic(self, value: Any, param: Any, ctx: Any) -> Any:
        if self._described is None:
            self._param._runtime_param = None
            self._described = self._build()
            self._param._runtime_param = self
        return self._described.coerce(value, param=param, ctx=ctx)


def _plain(annotation: Any) -> Any:
    """Return the text, path or number that an annotation stands for, alone or as list; None where it is something else."""
    kinds = [annotation]
    while len(kinds) == 1 and get_origin(kinds[0]) in (list, Union, UnionType):
        kinds = [kind for kind in get_args(kinds[0]) if kind is not type(None)]
    return kinds[0] if len(kinds) == 1 and kinds[0] in (str, Path, *_NUMBERS) else None
