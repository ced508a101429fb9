"""Land patterns of the demo board: where each part's pads are, and how large. All mm, seen from its own side.

Dimensions marked LIBRARY are those of an open footprint library that declares IPC-7351 nominal density
(2020 generation). Those marked OWN are our own choice after common practice: they look like the usual part
but are checked against none.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum

LIBRARY = "open footprint library declaring IPC-7351 nominal density, 2020 generation"
OWN = "own choice after common practice"

CORNER_RATIO = 0.25  # LIBRARY: corner radius over the pad's short side
CORNER_MAX_MM = 0.25  # common practice


class Shape(Enum):
    """The outline of a pad."""

    ROUNDED = "rounded rectangle"
    ROUND = "circle"
    CHAMFERED = "rectangle with two corners cut off"
    ARCHED = "rectangle with one side bulging as an arc"


class Use(Enum):
    """What a pad is for; the value is its X2 aperture function."""

    SMD = "SMDPad,CuDef"
    THERMAL = "HeatsinkPad"
    THROUGH = "ComponentPad"
    FIDUCIAL_GLOBAL = "FiducialPad,Global"
    FIDUCIAL_LOCAL = "FiducialPad,Local"
    TEST = "TestPad"
    BARE_HOLE = "WasherPad"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pane:
    """One paste opening, a rounded rectangle, or a circle where `round` [mm, from the part's centre]."""

    x: float
    y: float
    w: float
    h: float
    round: bool = False

    @property
    def corner(self) -> float:
        """The corner radius [mm]."""
        return min(self.w, self.h) / 2 if self.round else corner_mm(self.w, self.h)

    @property
    def area_mm2(self) -> float:
        """The area [mm²], rounded corners taken off."""
        return self.w * self.h - (4 - math.pi) * self.corner**2


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternPad:
    """One pad [mm, from the part's centre]. `panes` are its paste; `slot` is the hole's length beyond round."""

    pin: str
    x: float
    y: float
    w: float
    h: float
    shape: Shape = Shape.ROUNDED
    use: Use = Use.SMD
    panes: tuple[Pane, ...] = ()
    same_paste: bool = False
    hole: float = 0.0
    slot: float = 0.0
    plated: bool = True
    mask_margin: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """All lands of a part, and the box [mm] drawn around it on the legend (0: none)."""

    name: str
    source: str
    lands: tuple[PatternPad, ...]
    body: tuple[float, float]


def corner_mm(w: float, h: float) -> float:
    """Return the corner radius [mm] of a pad of `w` by `h` mm."""
    return min(CORNER_RATIO * min(w, h), CORNER_MAX_MM)


def _chip(name: str, w: float, h: float, cx: float, body: tuple[float, float]) -> Pattern:
    lands = tuple(
        PatternPad(pin=pin, x=x, y=0.0, w=w, h=h, same_paste=True) for pin, x in (("1", -cx), ("2", cx))
    )
    return Pattern(name=name, source=LIBRARY, lands=lands, body=body)


def _two_rows(
    name: str,
    source: str,
    *,
    pins: int,
    pitch: float,
    w: float,
    h: float,
    cx: float,
    body: tuple[float, float],
) -> Pattern:
    """Pins down the left side and up the right."""
    half = pins // 2
    lands: list[PatternPad] = []
    for i in range(pins):
        k = i if i < half else pins - 1 - i
        x = -cx if i < half else cx
        y = ((half - 1) / 2 - k) * pitch
        lands.append(PatternPad(pin=str(i + 1), x=x, y=y, w=w, h=h, same_paste=True))
    return Pattern(name=name, source=source, lands=tuple(lands), body=body)


def _qfn32() -> Pattern:
    lands: list[PatternPad] = []
    long, short, out, pitch = 0.875, 0.25, 2.4375, 0.5
    for i in range(32):
        side, k = divmod(i, 8)
        along = 1.75 - k * pitch
        x, y = ((-out, along), (-along, -out), (out, -along), (along, out))[side]
        w, h = (long, short) if side % 2 == 0 else (short, long)
        lands.append(PatternPad(pin=str(i + 1), x=x, y=y, w=w, h=h, same_paste=True))
    panes = tuple(Pane(x=x, y=y, w=0.83, h=0.83) for y in (1.03, 0.0, -1.03) for x in (-1.03, 0.0, 1.03))
    lands.append(PatternPad(pin="33", x=0.0, y=0.0, w=3.1, h=3.1, use=Use.THERMAL, panes=panes))
    return Pattern(name="QFN-32", source=LIBRARY, lands=tuple(lands), body=(6.5, 6.5))


def _usb_c() -> Pattern:
    """A 16-contact receptacle: 0.5 mm pitch signals, wide power pads, shell in slots, two pegs. Faces down."""
    row, length = 4.045, 1.15
    names = ("A1", "A4", "B8", "A5", "B7", "A6", "A7", "B6", "A8", "B5", "B4", "B1")
    places = (-3.2, -2.4, -1.75, -1.25, -0.75, -0.25, 0.25, 0.75, 1.25, 1.75, 2.4, 3.2)
    lands = [
        PatternPad(pin=pin, x=x, y=row, w=0.6 if abs(x) > 2 else 0.3, h=length, same_paste=True)
        for pin, x in zip(names, places, strict=True)
    ]
    for i, (x, y, slot) in enumerate(
        ((-4.32, 3.13, 1.1), (4.32, 3.13, 1.1), (-4.32, -1.05, 0.6), (4.32, -1.05, 0.6))
    ):
        lands.append(
            PatternPad(pin=f"S{i + 1}", x=x, y=y, w=1.0, h=1.0 + slot, use=Use.THROUGH, hole=0.6, slot=slot)
        )
    peg = PatternPad(
        pin="", x=2.89, y=2.6, w=0.65, h=0.65, shape=Shape.ROUND, use=Use.BARE_HOLE, hole=0.65, plated=False
    )
    lands += [replace(peg, x=-peg.x), peg]
    return Pattern(name="USB-C", source=OWN, lands=tuple(lands), body=(8.94, 7.3))


def _terminal_2() -> Pattern:
    """A 3.5 mm pitch terminal soldered by paste in its holes: the paste covers pad and hole."""
    lands = tuple(
        PatternPad(
            pin=pin,
            x=x,
            y=0.0,
            w=2.0,
            h=2.0,
            shape=Shape.ROUND,
            use=Use.THROUGH,
            hole=1.2,
            panes=(Pane(x=x, y=0.0, w=2.0, h=2.0, round=True),),
        )
        for pin, x in (("1", -1.75), ("2", 1.75))
    )
    return Pattern(name="TERMINAL-2", source=OWN, lands=lands, body=(7.0, 6.2))


def _one(name: str, land: PatternPad) -> Pattern:
    return Pattern(name=name, source=OWN, lands=(land,), body=(0.0, 0.0))


def _fiducial(name: str, use: Use) -> Pattern:
    # 1 mm copper in a 2 mm opening (common practice).
    return _one(
        name, PatternPad(pin="1", x=0, y=0, w=1.0, h=1.0, shape=Shape.ROUND, use=use, mask_margin=0.5)
    )


def _special(name: str, shape: Shape, w: float, h: float, cx: float, body: tuple[float, float]) -> Pattern:
    lands = tuple(
        PatternPad(pin=pin, x=x, y=0.0, w=w, h=h, shape=shape, same_paste=True)
        for pin, x in (("1", -cx), ("2", cx))
    )
    return Pattern(name=name, source=OWN, lands=lands, body=body)


PATTERNS = {
    pattern.name: pattern
    for pattern in (
        _chip("0402", 0.54, 0.64, 0.51, (1.0, 0.5)),
        _chip("0603", 0.80, 0.95, 0.825, (1.6, 0.8)),
        _chip("0805", 1.025, 1.40, 0.9125, (2.0, 1.25)),
        _two_rows("SOIC-8", LIBRARY, pins=8, pitch=1.27, w=1.95, h=0.6, cx=2.475, body=(3.9, 4.9)),
        _two_rows("TSSOP-16", OWN, pins=16, pitch=0.65, w=1.475, h=0.4, cx=2.8625, body=(4.4, 5.5)),
        Pattern(
            name="SOT-23",
            source=OWN,
            lands=tuple(
                PatternPad(pin=pin, x=x, y=y, w=1.2, h=0.6, same_paste=True)
                for pin, x, y in (("1", -1.0, 0.95), ("2", -1.0, -0.95), ("3", 1.0, 0.0))
            ),
            body=(1.3, 3.0),
        ),
        _qfn32(),
        _usb_c(),
        _terminal_2(),
        _special("VALVE-SMD", Shape.CHAMFERED, 2.6, 1.8, 2.3, (7.6, 3.0)),
        _special("CELL-CLIP", Shape.ARCHED, 3.2, 4.0, 8.2, (13.0, 9.0)),
        _fiducial("FIDUCIAL", Use.FIDUCIAL_GLOBAL),
        _fiducial("FIDUCIAL-LOCAL", Use.FIDUCIAL_LOCAL),
        _one("TEST-POINT", PatternPad(pin="1", x=0, y=0, w=1.2, h=1.2, shape=Shape.ROUND, use=Use.TEST)),
        _one(
            "MOUNT-3.2",
            PatternPad(
                pin="",
                x=0,
                y=0,
                w=3.2,
                h=3.2,
                shape=Shape.ROUND,
                use=Use.BARE_HOLE,
                hole=3.2,
                plated=False,
                mask_margin=0.15,
            ),
        ),
    )
}
