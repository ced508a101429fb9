"""What is thrown away on the card in the middle of a board, as the plan keeps it."""

from collections.abc import Sequence
from typing import Annotated

from msgspec import Meta, Struct

from pastewright.records.placement import Pair

ON_CARD = "trip {} to the card"
"""What is thrown away in the middle of a board has this for the name of its pad: paste that belongs to none."""


class ThrownRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A trip to the card in the middle of the board: what is thrown away there, all of it at one place."""

    id: Annotated[int, Meta(ge=0, description="Its number among the deposits, behind those of the board.")]
    at_mm: Annotated[Pair, Meta(description="Where it lies [mm, machine].")]
    count: Annotated[int, Meta(ge=1, description="So many like the deposit that follows.")]
    steady_s: Annotated[
        float,
        Meta(ge=0, description="Or, above 0, paste at the steady flow of that deposit for so long [s]."),
    ] = 0.0
    total_ul: Annotated[float, Meta(gt=0, description="All of them [µL].")]
    width_mm: Annotated[float, Meta(ge=0)]
    before: Annotated[int, Meta(ge=0, description="Index of the deposit that follows.")]
    line: Annotated[int, Meta(ge=0, description="Its first line in the program, counted from 1.")]


def trip_name(number: int) -> str:
    """Return what stands for the pad of a trip to the card, counted from 1."""
    return ON_CARD.format(number)


def is_trip(pads: Sequence[str]) -> bool:
    """Return whether the names of a deposit's pads say that it is thrown away on the card."""
    before, behind = ON_CARD.split("{}")
    return bool(pads) and pads[0].startswith(before) and pads[0].endswith(behind)
