"""Loops over numbers, compiled by numba: what is too slow when numpy does it array by array.

Functions that are compiled take numbers, tuples and arrays, and call only one another. What was compiled is kept beside
their file (or in the user's cache), so that the seconds it takes are spent once; since numba looks for changes in
the file of the entry only, an entry and all that it calls stand in one file.
"""

from collections.abc import Callable
from typing import TypeVar, cast

import numba

_Function = TypeVar("_Function", bound=Callable[..., object])


def inner(function: _Function) -> _Function:
    """Return the function compiled into those that call it."""
    return cast(_Function, numba.njit(error_model="numpy")(function))


def entry(function: _Function) -> _Function:
    """Return the function compiled, to be called from Python; what was compiled is kept. While it runs other threads may."""
    return cast(_Function, numba.njit(cache=True, error_model="numpy", nogil=True)(function))
