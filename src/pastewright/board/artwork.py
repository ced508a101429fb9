"""`Artwork`: what any reader gives, whatever the format: things drawn per layer, drills, names of parts and pins.

All places are in mm in the coordinates of the files, seen from the top; nothing is judged yet. What is paste, what is
a pad and whose, `pads` says. Names and functions use the words of X2 attributes (Gerber layer format specification,
"Attributes"), which other formats are put into.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from msgspec import Struct

from pastewright.board.model import Area, LayerRole, LayerUse, Point, Side
from pastewright.problems import Problem

Attributes = Mapping[str, tuple[str, ...]]


class DrawnKind(StrEnum):
    """How a thing was made in the file."""

    FLASH = "flash"
    STROKE = "stroke"
    REGION = "region"


class Drawn(Struct, frozen=True, kw_only=True):
    """One thing drawn: its filled `shape` of true area [mm, file], dark or clear, and where it stands.

    `attributes` are X2 aperture and object attributes, without the leading dot of their names ("AperFunction", "P",
    "N", "C", …); the mapping is shared between objects, never change it. `path_mm` is the centre line of a stroke
    (arcs as chords); empty for others. `width_mm` is the width of the stroke, or the diameter of a round flash, else
    0. `volume_ul` is paste that the file asks for outright.
    """

    kind: DrawnKind
    shape: Area
    dark: bool
    attributes: Attributes
    line: int
    path_mm: tuple[Point, ...] = ()
    width_mm: float = 0.0
    volume_ul: float | None = None

    @property
    def function(self) -> str:
        """What the file says it is for ("SMDPad", "ViaPad", "Conductor", …), "" where it does not."""
        return (self.attributes.get("AperFunction") or ("",))[0]

    @property
    def ref(self) -> str:
        """The part that it belongs to, "" where nothing says."""
        return self._word("P", 0) or self._word("C", 0)

    @property
    def pin(self) -> str:
        """The pin of the part, "" where nothing says."""
        return self._word("P", 1)

    @property
    def net(self) -> str:
        """The net's name; "N/C" says that the pad is not connected, which is no net that two pads could share."""
        net = self._word("N", 0)
        return "" if net == "N/C" else net

    def _word(self, name: str, index: int) -> str:
        words = self.attributes.get(name, ())
        return words[index] if len(words) > index else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """All that one file draws (or one layer of a file that holds several), in its order; repeats are expanded.

    `whole` is False where the file ends without its end word, and may have been cut short.
    """

    file: str
    attributes: Attributes
    objects: tuple[Drawn, ...]
    problems: tuple[Problem, ...] = ()
    whole: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """One hole (`slot_to_mm` None) or slot [mm, file]. `plated` is None when nothing says."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    line: int
    slot_to_mm: Point | None = None
    plated: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillFile:
    """All holes and slots of one file. `plated` is None when neither attribute, comment nor name says.

    One file may hold both plated and other holes: then `plated` is None here and each drill has its own.
    """

    file: str
    drills: tuple[Drill, ...]
    plated: bool | None
    attributes: Attributes
    problems: tuple[Problem, ...] = ()


class NetPoint(Struct, frozen=True, kw_only=True):
    """One point that a tester would touch [mm, file of the netlist].

    `ref` and `pin` are "" for vias and where not given; `net` is "" for "N/C". `side` is None where the
    point can be reached from both. `height_mm` is 0 for round features. `mask` is the S digit: 0 none, 1 on
    the top, 2 on the bottom, 3 on both; None where not given. `midpoint` marks the inside of a net, not
    its end.
    """

    net: str
    ref: str
    pin: str
    x_mm: float
    y_mm: float
    side: Side | None
    via: bool
    through: bool
    midpoint: bool
    hole_mm: float | None
    plated: bool | None
    width_mm: float
    height_mm: float
    rotation_deg: float
    mask: int | None
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPlace:
    """One part [mm, file of the centroids, seen from the top]. `side` is None where the file does not say."""

    ref: str
    x_mm: float
    y_mm: float
    rotation_deg: float
    side: Side | None
    line: int


class Judging(StrEnum):
    """How paste is told from what else stands on its layer."""

    BY_COPPER = "by copper"
    """A film for fabrication: what lies over exposed copper is paste, and pads are copper."""
    AS_DRAWN = "as drawn"
    """A drawing: what is drawn as paste is paste; what touches is one pad, a line is a bead."""
    AS_LISTED = "as listed"
    """A table: every row is paste, and a pad of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Artwork:
    """What was read of a board for one side; no entry in `layers` where there is no such layer.

    `points` and `parts` are those of that side; `points_file` and `parts_file` name the files they are from. Where
    `parts_unit_known` is False, places of parts are as the file writes them, in a unit that nothing says. `what`
    names the format for messages, `file` the file where it is just one. `others` are films of which nothing is pasted
    (inner layers, drill drawings): what stands on them and on a paste layer alike is a legend.
    """

    what: str
    judging: Judging
    layers: Mapping[LayerRole, Layer]
    others: tuple[Layer, ...] = ()
    drillings: tuple[DrillFile, ...] = ()
    points: tuple[NetPoint, ...] = ()
    points_file: str = ""
    parts: tuple[PartPlace, ...] = ()
    parts_file: str = ""
    parts_unit_known: bool = True
    uses: tuple[LayerUse, ...] = ()
    problems: tuple[Problem, ...] = field(default=())
    file: str = ""
