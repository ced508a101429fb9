"""Words that stand in files and have few values, one home each: writers and readers share them."""

from enum import StrEnum


class Side(StrEnum):
    """The side that is pasted."""

    TOP = "top"
    BOTTOM = "bottom"


class PadKind(StrEnum):
    """What a pad is for, which decides whether and how it gets paste."""

    SURFACE = "surface"
    THERMAL = "thermal"
    THROUGH_HOLE = "through-hole"
    FIDUCIAL = "fiducial"
    TEST_POINT = "test-point"


class PasteOrigin(StrEnum):
    """Where the paste apertures came from."""

    PASTE_LAYER = "paste layer"
    EXPOSED_COPPER = "exposed copper"


class DepositKind(StrEnum):
    """A dot is laid standing still, a bead while moving."""

    DOT = "dot"
    BEAD = "bead"


class DialectName(StrEnum):
    """The two program languages."""

    REPRAP = "reprap"
    NGC = "ngc"


class PlungerUnit(StrEnum):
    """What a number behind the plunger's letter counts."""

    MM = "mm"
    UL = "ul"
    DEGREE = "deg"
    TURN = "turn"


class FitKind(StrEnum):
    """What a map fitted to found points may do: turn and shift; stretch evenly too; stretch and lean as well."""

    RIGID = "rigid"
    SIMILARITY = "similarity"
    AFFINE = "affine"


class Form(StrEnum):
    """How the paste of a pad is laid."""

    NONE = "none"
    DOT = "dot"
    DOT_ROW = "row of dots"
    BEAD = "bead"
    DOT_FIELD = "dot field"
    SERPENTINE = "serpentine"
    PANES = "window panes"
    ROW_BEAD = "bead across a row"
    LINE_BEAD = "bead along a line"


class Role(StrEnum):
    """Why a dot is on a tuning sheet."""

    STEADY = "steady"
    RISING = "rising"
    FALLING = "falling"
    REPEAT = "repeat"
    JUMP = "jump"
    PAUSE = "pause"
    SPEED = "speed"
    ODD = "odd"


class ProgramKind(StrEnum):
    """What a program is for. Whether it is dry (tip in the air, plunger still) is told apart from that."""

    BOARD = "board"
    TOUCH_UP = "touch-up"
    TUNING_SHEET = "tuning sheet"
    SHAPE_TRIAL = "shape trial"
    PROBING = "probing"


class DepositVerdict(StrEnum):
    """What photos say of a deposit. "not seen" is never good: nothing is known of it."""

    GOOD = "good"
    LOW = "low"
    HIGH = "high"
    MISSING = "missing"
    BRIDGED = "bridged"
    OFF = "off"
    NOT_SEEN = "not seen"


class MarkKind(StrEnum):
    """The shapes of fiducials."""

    ROUND = "round"
    SQUARE = "square"
    CROSS = "cross"
    RING = "ring"
