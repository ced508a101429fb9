"""The layers of one side of an `Artwork`, by what they are for."""

from dataclasses import dataclass

from pastewright.board.artwork import Artwork, DrillFile, Layer
from pastewright.board.model import LayerRole, Side

PASTE = {Side.TOP: LayerRole.TOP_PASTE, Side.BOTTOM: LayerRole.BOTTOM_PASTE}
COPPER = {Side.TOP: LayerRole.TOP_COPPER, Side.BOTTOM: LayerRole.BOTTOM_COPPER}
MASK = {Side.TOP: LayerRole.TOP_MASK, Side.BOTTOM: LayerRole.BOTTOM_MASK}


@dataclass(frozen=True, slots=True, kw_only=True)
class Films:
    """The films that make one side; None where there is no such layer."""

    side: Side
    paste: Layer | None = None
    copper: Layer | None = None
    mask: Layer | None = None
    outline: Layer | None = None
    drillings: tuple[DrillFile, ...] = ()


def films_of(artwork: Artwork, side: Side) -> Films:
    """Return the films of `side`."""
    return Films(
        side=side,
        paste=artwork.layers.get(PASTE[side]),
        copper=artwork.layers.get(COPPER[side]),
        mask=artwork.layers.get(MASK[side]),
        outline=artwork.layers.get(LayerRole.OUTLINE),
        drillings=artwork.drillings,
    )
