"""Stages without the collector of cycles: what they make is kept to their end, and looking through it again costs a quarter.

Python looks for cycles each time so many more objects live than died, and then goes through all that live. The stages
from files to report make hundreds of thousands of values that refer to nothing that refers back, and all of them stay.
"""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """Hold the collector of cycles back meanwhile; also a decorator. Where it is off, nothing changes."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            # What was made meanwhile counts as old from here on: young, it would be looked through at once.
            gc.freeze()
            gc.unfreeze()
            gc.enable()
