"""The demo board's parts in their places, and from them its pads [mm, from the lower left corner].

A logger for greenhouse beds: up to four capacitive soil probes through a multiplexer (U2), a controller
(U1) that keeps the readings in a flash memory (U4) and opens a watering valve (U3), fed from USB or a cell.
"""

import math
from dataclasses import dataclass

from pastewright.demo.patterns import PATTERNS, Pane, Pattern, PatternPad, Shape, Use

SIZE_MM = (50.0, 40.0)  # fits an enclosure for a stake in a bed
CORNER_MM = 2.0
CUT_OUT_MM = (47.2, 25.4, 1.2, 8.0)
"""Centre, width and height of a slit in the board that keeps the warmth of U1 from the air sensor's lead."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoPart:
    """One part: where it stands, how it is turned [degrees, as seen from its own side], and its nets by pin."""

    ref: str
    pattern: Pattern
    x: float
    y: float
    turn_deg: int
    bottom: bool
    value: str
    nets: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoPad:
    """One pad in place [mm, board, seen from the top]. `w` and `h` are before turning by `turn_deg`."""

    ref: str
    pin: str
    net: str
    bottom: bool
    x: float
    y: float
    turn_deg: int
    land: PatternPad
    panes: tuple[Pane, ...]

    @property
    def through(self) -> bool:
        """Whether it has copper on both sides."""
        return self.land.use is Use.THROUGH


def _row(text: str) -> tuple[str, ...]:
    return tuple("" if word == "-" else word for word in text.split())


_MCU = _row(
    "+3V3 NRST USB_DP USB_DM VBUS_SENSE VBAT_SENSE RAIN_IN GND"
    " FLASH_CS FLASH_SCK FLASH_MOSI FLASH_MISO VALVE_OPEN VALVE_SHUT VALVE_SENSE GND"
    " +3V3 PROBE_OUT MUX_A MUX_B MUX_EN PROBE_ADC TEMP_ADC GND"
    " SDA SCL LED SWDIO SWCLK - - +3V3 GND"
)
_MUX = _row(
    "GND TEMP_ADC PROBE_ADC MUX_EN MUX_B MUX_A PROBE_OUT +3V3 GND PROBE_EXC PROBE_1 PROBE_2 PROBE_3 PROBE_4 TEMP_1 +3V3"
)
_USB = _row("GND VBUS - CC1 USB_DM USB_DP USB_DM USB_DP - CC2 VBUS GND GND GND GND GND - -")

# ref, pattern, x, y, turn, side, value, nets by pin
_TABLE: tuple[tuple[str, str, float, float, int, str, str, tuple[str, ...]], ...] = (
    ("J1", "USB-C", 3.3, 20.0, -90, "top", "USB type C", _USB),
    ("D1", "SOT-23", 12.4, 20.0, 0, "top", "ESD clamp", _row("USB_DP USB_DM GND")),
    ("R1", "0402", 11.0, 17.0, 0, "top", "5k1", _row("CC1 GND")),
    ("R2", "0402", 11.0, 23.0, 0, "top", "5k1", _row("CC2 GND")),
    ("FB1", "0603", 9.6, 27.0, 90, "top", "ferrite", _row("VBUS VBUS_F")),
    ("C1", "0805", 12.6, 26.6, 90, "top", "10u", _row("GND VBUS_F")),
    ("Q1", "SOT-23", 12.0, 31.0, 0, "top", "power path", _row("VBUS_F VBAT VSYS")),
    ("C2", "0805", 16.0, 31.6, 90, "top", "10u", _row("GND VSYS")),
    ("U5", "SOT-23", 19.6, 31.0, 180, "top", "3.3 V regulator", _row("GND +3V3 VSYS")),
    ("C3", "0805", 23.2, 31.6, 90, "top", "22u", _row("GND +3V3")),
    ("U1", "QFN-32", 25.0, 22.0, 0, "top", "controller", _MCU),
    ("C4", "0402", 20.6, 26.0, 0, "top", "100n", _row("GND +3V3")),
    ("C5", "0402", 29.0, 18.0, 0, "top", "100n", _row("+3V3 GND")),
    ("C6", "0402", 22.4, 27.4, 90, "top", "100n", _row("+3V3 GND")),
    ("R3", "0402", 18.2, 24.6, 0, "top", "10k", _row("NRST +3V3")),
    ("C7", "0402", 18.2, 23.2, 0, "top", "100n", _row("GND NRST")),
    ("R4", "0402", 19.2, 18.8, 90, "top", "100k", _row("VBUS VBUS_SENSE")),
    ("R5", "0402", 17.8, 18.8, 90, "top", "100k", _row("GND VBUS_SENSE")),
    ("R13", "0402", 19.2, 15.6, 90, "top", "1M", _row("VBAT VBAT_SENSE")),
    ("R14", "0402", 17.8, 15.6, 90, "top", "1M", _row("GND VBAT_SENSE")),
    ("R6", "0402", 26.6, 29.2, 90, "top", "1k", _row("LED LED_A")),
    ("D2", "0603", 29.4, 32.6, 45, "top", "green", _row("LED_A GND")),
    ("R7", "0402", 29.4, 26.8, 90, "top", "4k7", _row("SDA +3V3")),
    ("R8", "0402", 28.0, 27.4, 90, "top", "4k7", _row("SCL +3V3")),
    ("U2", "TSSOP-16", 36.2, 22.6, 0, "top", "probe multiplexer", _MUX),
    ("C8", "0402", 36.2, 27.0, 0, "top", "100n", _row("GND +3V3")),
    ("R9", "0603", 41.6, 19.4, 0, "top", "49R9", _row("PROBE_EXC PROBE_EX")),
    ("R10", "0402", 41.6, 22.4, 0, "top", "1k", _row("PROBE_1 PROBE_IN")),
    ("C9", "0603", 41.6, 25.2, 90, "top", "10n", _row("GND PROBE_2")),
    ("J2", "TERMINAL-2", 46.2, 16.6, -90, "top", "soil probe", _row("PROBE_IN PROBE_EX")),
    (
        "U3",
        "SOIC-8",
        35.0,
        9.4,
        0,
        "top",
        "valve driver",
        _row("VALVE_OPEN GND VALVE_SHUT VALVE_ISEN VALVE_N VBAT VALVE_P GND"),
    ),
    ("C10", "0805", 29.4, 11.4, 90, "top", "22u", _row("GND VBAT")),
    ("C11", "0603", 29.6, 7.0, 0, "top", "1u", _row("GND VBAT")),
    ("R11", "0805", 29.6, 4.4, 0, "top", "0R22", _row("GND VALVE_ISEN")),
    ("R12", "0402", 32.4, 14.8, 0, "top", "1k", _row("VALVE_ISEN VALVE_SENSE")),
    ("J3", "VALVE-SMD", 41.8, 8.2, 90, "top", "valve", _row("VALVE_N VALVE_P")),
    ("C12", "0603", 24.4, 11.2, 90, "top", "1u", _row("GND RAIN_IN")),
    ("R15", "0603", 20.6, 9.4, 0, "top", "10k", _row("RAIN_IN +3V3")),
    ("D3", "SOT-23", 15.6, 9.4, 180, "top", "rain input clamp", _row("GND +3V3 RAIN_IN")),
    ("TP1", "TEST-POINT", 17.0, 36.6, 0, "top", "data", _row("SWDIO")),
    ("TP2", "TEST-POINT", 20.0, 36.6, 0, "top", "clock", _row("SWCLK")),
    ("TP3", "TEST-POINT", 23.0, 36.6, 0, "top", "reset", _row("NRST")),
    ("TP4", "TEST-POINT", 26.0, 36.6, 0, "top", "ground", _row("GND")),
    ("TP5", "TEST-POINT", 40.0, 30.4, 0, "top", "probe 3", _row("PROBE_3")),
    ("TP6", "TEST-POINT", 43.0, 30.4, 0, "top", "probe 4", _row("PROBE_4")),
    ("FID1", "FIDUCIAL", 9.0, 36.6, 0, "top", "", ("",)),
    ("FID2", "FIDUCIAL", 41.0, 36.6, 0, "top", "", ("",)),
    ("FID3", "FIDUCIAL", 9.0, 3.4, 0, "top", "", ("",)),
    (
        "U4",
        "SOIC-8",
        23.0,
        13.2,
        90,
        "bottom",
        "flash memory",
        _row("FLASH_CS FLASH_MISO +3V3 GND FLASH_MOSI FLASH_SCK +3V3 +3V3"),
    ),
    ("C20", "0402", 28.2, 13.4, 90, "bottom", "100n", _row("+3V3 GND")),
    ("R20", "0402", 17.6, 12.0, 90, "bottom", "10k", _row("FLASH_CS +3V3")),
    ("BT1", "CELL-CLIP", 25.0, 30.0, 0, "bottom", "cell clip", _row("VBAT GND")),
    ("C21", "0805", 25.0, 30.6, 90, "bottom", "47u", _row("VBAT GND")),
    ("C22", "0603", 22.0, 30.6, 90, "bottom", "1u", _row("VBAT GND")),
    ("R21", "0402", 36.6, 29.4, 90, "bottom", "10k", _row("TEMP_1 +3V3")),
    ("R22", "0402", 38.2, 29.4, 90, "bottom", "10k NTC", _row("TEMP_1 GND")),
    ("C23", "0402", 36.4, 18.6, 0, "bottom", "100n", _row("+3V3 GND")),
    ("Q2", "SOT-23", 38.0, 9.4, 0, "bottom", "valve guard", _row("VALVE_P GND VALVE_N")),
    ("C24", "0603", 38.0, 13.4, 0, "bottom", "100n", _row("VALVE_P VALVE_N")),
    ("FID4", "FIDUCIAL", 9.0, 36.6, 0, "bottom", "", ("",)),
    ("FID5", "FIDUCIAL", 41.0, 36.6, 0, "bottom", "", ("",)),
    ("FID6", "FIDUCIAL-LOCAL", 9.0, 3.4, 0, "bottom", "", ("",)),
    ("H1", "MOUNT-3.2", 3.6, 3.6, 0, "top", "", ("",)),
    ("H2", "MOUNT-3.2", 46.4, 3.6, 0, "top", "", ("",)),
    ("H3", "MOUNT-3.2", 3.6, 36.4, 0, "top", "", ("",)),
    ("H4", "MOUNT-3.2", 46.4, 36.4, 0, "top", "", ("",)),
)

PARTS = tuple(
    DemoPart(
        ref=ref,
        pattern=PATTERNS[name],
        x=x,
        y=y,
        turn_deg=turn,
        bottom=side == "bottom",
        value=value,
        nets=nets,
    )
    for ref, name, x, y, turn, side, value, nets in _TABLE
)


def placed(part: DemoPart, x: float, y: float) -> tuple[float, float]:
    """Return a point of a part [mm, its own side] in place [mm, board, seen from the top]."""
    turn = math.radians(part.turn_deg)
    # Exact for the quarter turns, so that pads of one row keep one coordinate.
    cos, sin = round(math.cos(turn), 12), round(math.sin(turn), 12)
    along, across = x * cos - y * sin, x * sin + y * cos
    return round(part.x + (-along if part.bottom else along), 6), round(part.y + across, 6)


def _pads_of(part: DemoPart) -> tuple[DemoPad, ...]:
    turn = -part.turn_deg if part.bottom else part.turn_deg
    pads: list[DemoPad] = []
    for land, net in zip(part.pattern.lands, part.nets, strict=True):
        own = (Pane(x=land.x, y=land.y, w=land.w, h=land.h),) if land.same_paste else land.panes
        panes = tuple(
            Pane(x=px, y=py, w=pane.w, h=pane.h, round=pane.round)
            for pane in own
            for px, py in (placed(part, pane.x, pane.y),)
        )
        x, y = placed(part, land.x, land.y)
        pads.append(
            DemoPad(
                ref=part.ref,
                pin=land.pin,
                net=net,
                bottom=part.bottom,
                x=x,
                y=y,
                turn_deg=turn,
                land=land,
                panes=panes if land.shape in (Shape.ROUNDED, Shape.ROUND) else (),
            )
        )
    return tuple(pads)


PADS = tuple(pad for part in PARTS for pad in _pads_of(part))
