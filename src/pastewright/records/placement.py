"""Where boards lie, as a record: the content of placement.json and of `placement` in plan.json.

Each board lists its steps with the points they were fitted to, then the matrix and shift that came of them, so
that another program can work them out again and compare.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, field

from pastewright.records.kinds import FitKind
from pastewright.records.reading import record_of_data, record_of_text, text_of_file

FORMAT: Literal[1] = 1
MOST_BYTES = 20_000_000
"""Probed meshes of 200 boards, a thousand points each, take less."""
WHAT = "a placement"
MEND = "Write it anew with: pastewright register"

Length = Annotated[float, Meta(ge=-1e6, le=1e6)]
"""No length [mm], angle or scale of any machine is beyond a million."""
Pair = tuple[Length, Length]
ON_BED = "corner on the bed"
"""The step of a board that nobody measured: the profile's [bed] holds, and goes on holding when it is changed."""


class PointRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A point known in two systems: where it is on the board or tray, and where it was found [mm]."""

    name: str
    from_mm: Pair
    to_mm: Pair


class StepRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """One part of the way from board to machine, by the parts of its map [degrees, -, mm]."""

    what: Annotated[str, Meta(description=f'What this step is; "{ON_BED}" means that nothing was measured.')]
    turn_deg: Annotated[Length, Meta(description="Turn of the x axis, anticlockwise.")]
    mirrored: bool
    scale_x: Length
    scale_y: Length
    skew_deg: Annotated[Length, Meta(description="Angle between the images of the axes, less 90.")]
    shift_mm: Pair
    fit: FitKind | None = None
    points: tuple[PointRecord, ...] = ()


class MeshRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Deviations of a height at the crossings of lines."""

    x_mm: Annotated[tuple[Length, ...], Meta(min_length=2)]
    y_mm: Annotated[tuple[Length, ...], Meta(min_length=2)]
    dz_mm: Annotated[tuple[tuple[Length, ...], ...], Meta(min_length=2, description="Rows by y_mm.")]


class SurfaceRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """Z at which the tip touches, over machine X and Y: z_mm + slopes·(place − at_mm), and a bilinear mesh of
    deviations held at its edges.
    """

    z_mm: Length
    slope_x: Length
    slope_y: Length
    at_mm: Pair
    mesh: MeshRecord | None = None


class BoardPlaceRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where one board lies: machine = matrix · board + shift_mm."""

    name: str
    steps: Annotated[tuple[StepRecord, ...], Meta(min_length=1)]
    matrix: Annotated[tuple[Pair, Pair], Meta(description="All steps as one.")]
    shift_mm: Pair
    surface: SurfaceRecord
    warnings: tuple[str, ...]


class WipeRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A wiping pad [mm, machine]: the tip goes down to z_mm and `strokes` times from one end to the other."""

    from_mm: Pair
    to_mm: Pair
    z_mm: Length
    strokes: Annotated[int, Meta(ge=1)]


class StripRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The line of one settling strip [mm, machine]."""

    from_mm: Pair
    to_mm: Pair


class NeighbourRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A board that lies there and is not in this program: its corners in order [mm, machine]."""

    name: str
    corners_mm: Annotated[tuple[Pair, ...], Meta(min_length=3)]
    highest_mm: Annotated[
        Length | None, Meta(description="Highest place of its surface [mm, machine]; null: not measured.")
    ] = None


class Zone(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A box on every board that the tip keeps out of [mm, board]; `height_mm` above it, null: at every height."""

    name: str
    x_from_mm: Length
    x_to_mm: Length
    y_from_mm: Length
    y_to_mm: Length
    height_mm: Length | None
    margin_mm: Annotated[Length, Meta(description="What a way round it keeps away, where it can.")] = 0.0


class Places(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The boards of one program, and what happens between them."""

    boards: Annotated[tuple[BoardPlaceRecord, ...], Meta(min_length=1)]
    settle: Annotated[
        bool, Meta(description="A settling strip before each board, each strip_step_mm further in Y.")
    ]
    strip_step_mm: Length
    wipe: WipeRecord | None


class PlacementRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The content of placement.json: `Places`, and the board they were measured for."""

    format: Literal[1]
    board: str = ""
    side: str = ""
    inputs_sha256: str = ""
    boards: Annotated[tuple[BoardPlaceRecord, ...], Meta(min_length=1)]
    settle: bool = False
    strip_step_mm: Length = 0.0
    wipe: WipeRecord | None = None
    report: Annotated[
        Mapping[str, Any], Meta(description="How well it was found, for people; it is not read again.")
    ] = field(default_factory=dict)


def placement_of_text(text: str, *, file: str = "placement.json") -> PlacementRecord:
    """Return the record in the text of a placement.json; raises `InputError` with everything that is wrong."""
    return record_of_text(text, PlacementRecord, what=WHAT, mend=MEND, file=file)


def placement_of_data(data: object, *, file: str = "placement.json") -> PlacementRecord:
    """Return the record of JSON-ready data; raises `InputError` with everything that is wrong."""
    return record_of_data(data, PlacementRecord, what=WHAT, mend=MEND, file=file)


def read_placement_record(path: Path) -> PlacementRecord:
    """Return the record in a placement.json."""
    return placement_of_text(text_of_file(path, what=WHAT, mend=MEND, most_bytes=MOST_BYTES), file=str(path))
