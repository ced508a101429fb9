"""A land with what stands on it and in it, before its kind is known."""

from msgspec import Struct

from pastewright.board.model import Hole
from pastewright.board.pads.lands import Land


class Site(Struct, frozen=True, kw_only=True):
    """A land [mm, file], how many `paste` openings stand on it, and the plated-or-unknown `holes` within it.

    `surface`: a netlist says that it is no through-hole pad.
    """

    land: Land
    paste: int
    ref: str
    pin: str
    holes: tuple[Hole, ...] = ()
    surface: bool = False
