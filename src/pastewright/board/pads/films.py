"""The layers of one side of an `Artwork`, by what they are for."""

from dataclasses import dataclass, replace

from msgspec import structs
from shapely.geometry import Polygon

from pastewright.board.artwork import Artwork, DrawnKind, Drill, DrillFile, Layer
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
    others: tuple[Layer, ...] = ()
    drillings: tuple[DrillFile, ...] = ()

    @property
    def drills(self) -> list[Drill]:
        """All holes and slots of all files."""
        return [drill for file in self.drillings for drill in file.drills]


def films_of(artwork: Artwork, side: Side) -> Films:
    """Return the films of `side`."""
    return Films(
        side=side,
        paste=_by_contour(artwork.layers.get(PASTE[side])),
        copper=_by_contour(artwork.layers.get(COPPER[side])),
        mask=artwork.layers.get(MASK[side]),
        outline=artwork.layers.get(LayerRole.OUTLINE),
        others=artwork.others,
        drillings=artwork.drillings,
    )


def _by_contour(layer: Layer | None) -> Layer | None:
    """Return the layer with every region of several contours as so many regions: some programs draw a whole layer as
    one, and what is true of one contour (pad, legend, sliver) says nothing of the next.
    """
    if layer is None:
        return None
    objects = tuple(
        each
        for thing in layer.objects
        for each in (
            (thing,)
            if thing.kind is not DrawnKind.REGION or isinstance(thing.shape, Polygon)
            else (structs.replace(thing, shape=part) for part in thing.shape.geoms)
        )
    )
    return layer if len(objects) == len(layer.objects) else replace(layer, objects=objects)
