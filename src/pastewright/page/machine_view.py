"""How the machine stands, as the windows are told it: the connection, the place, and what its controller can."""

from typing import Any

from pastewright.hands.jog import SIZES_MM
from pastewright.link.detect import Protocol
from pastewright.link.hand import Hand
from pastewright.link.owner import Owner

AT_A_TERMINAL = ("picture ", "Look at the board, then: pastewright ")
"""How lines begin that help at a terminal only."""


def stands(owner: Owner | None, hand: Hand | None) -> dict[str, Any]:
    """Return what is known of a machine, None in both where none is connected; lengths in mm, machine."""
    at = hand.place if hand is not None else None
    reach = hand.reach() if hand is not None else None
    return {
        "connected": owner is not None,
        "controller": _name(owner) if owner is not None else "",
        "place": {"X": at.x_mm, "Y": at.y_mm, "Z": at.z_mm} if at is not None else None,
        "plunger": hand.pushed_mm if hand is not None else 0.0,
        "known": owner.known if owner is not None else False,
        "holds": owner is not None and owner.protocol is Protocol.CNC,
        "homes": bool(owner.bench.home) if owner is not None else False,
        "sizes": SIZES_MM,
        "reach": {axis: reach.range_mm(axis) for axis in "XYZ"} if reach is not None else None,
    }


def _name(owner: Owner) -> str:
    return owner.words.removeprefix("FIRMWARE_NAME:").split(" PROTOCOL_VERSION")[0] or str(owner.protocol)


def noted(words: str) -> list[str]:
    """Return the lines of what was said that help in a window, where the picture itself and a button stand."""
    lines = (line.strip() for line in words.splitlines())
    return [line for line in lines if line and not line.startswith(AT_A_TERMINAL)]
