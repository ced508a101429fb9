"""Loops over numbers, compiled by numba: what is too slow when numpy does it array by array.

Functions that are compiled take numbers, tuples and arrays, and call only one another. Their machine code is kept beside
their file (or in the user's cache), so that the seconds of compiling are spent once, and later runs do without the
compiler: it takes longer to load than a small board to plan (`machine_code`). That holds for entries that give nothing
back and make no arrays and lists: what they find they write into arrays that they are given. For others numba keeps what
it compiled, and is loaded.

Changes are looked for in the entry's file, and in the numbers of its module: an entry and all that it calls stand in one
file.
"""

import threading
from collections.abc import Callable
from contextlib import suppress
from functools import update_wrapper
from types import FunctionType
from typing import Any, Generic, ParamSpec, TypeVar, cast

from pastewright import machine_code

P = ParamSpec("P")
R = TypeVar("R")

_INNER = "compiled_into_those_that_call_it"


def inner(function: Callable[P, R]) -> Callable[P, R]:
    """Return the function, which is compiled into those that call it; called from Python it is as slow as Python."""
    setattr(function, _INNER, True)
    return function


def entry(function: Callable[P, R]) -> "Compiled[P, R]":
    """Return the function compiled, to be called from Python; what was compiled is kept. While it runs other threads may."""
    return Compiled(function)


class Compiled(Generic[P, R]):
    """A function whose machine code is loaded, or else made, when it is first called with arguments of such types."""

    def __init__(self, function: Callable[P, R]) -> None:
        update_wrapper(self, function)
        self.function = cast(FunctionType, function)
        self._known: dict[str, Callable[..., Any]] = {}
        self._lock = threading.Lock()

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Return what the function does; arguments are given by their places."""
        types = machine_code.types_of(args)
        run = self._known.get(types)
        if run is None:
            with self._lock:
                run = self._known.get(types) or self._made(types, args)
                self._known[types] = run
        return cast(R, run(*args, **kwargs))

    def _made(self, types: str, args: tuple[Any, ...]) -> Callable[..., Any]:
        """Return what runs the function: the machine code that was kept, else one that is compiled now and kept."""
        place = machine_code.place_of(self.function, types)
        run = machine_code.loaded(place, args)
        if run is not None:
            return run
        function = _with_inner_compiled(self.function)
        with suppress(AttributeError, ImportError, TypeError):  # numba's inside, otherwise in another version
            code = machine_code.made(function, args)
            if code is not None:
                machine_code.keep(place, code)
                run = machine_code.run_of(code, args)
        return run or _kept_by_numba(function)


def _kept_by_numba(function: FunctionType) -> Callable[..., Any]:
    import numba

    kept = numba.njit(cache=True, error_model="numpy", nogil=True)(function)
    return cast(Callable[..., Any], kept)


def _with_inner_compiled(function: FunctionType) -> FunctionType:
    """Return the function among the compiled functions of its module instead of the plain ones."""
    import numba

    names: dict[str, Any] = dict(function.__globals__)
    for name, value in function.__globals__.items():
        if getattr(value, _INNER, False):
            names[name] = numba.njit(error_model="numpy")(_among(value, names))
    return _among(function, names)


def _among(function: FunctionType, names: dict[str, Any]) -> FunctionType:
    copy = FunctionType(
        function.__code__, names, function.__name__, function.__defaults__, function.__closure__
    )
    update_wrapper(copy, function)
    return copy
