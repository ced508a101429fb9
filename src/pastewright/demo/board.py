"""The demo board written as fabrication files: `write_demo`, in a flavour of today and one of long ago.

    x2       Gerber X2 in mm with all attributes, two XNC drill files, names in words
    rs274x   RS-274X in inches without attributes, three-letter extensions, one drill file that holds both
             platings, and an IPC-D-356 netlist, since nothing else would tell the pads' names

Both hold the same board: the same pads, openings and holes. The bytes never change from run to run.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Literal

from pastewright.demo.drawing import Drawing, copper, legend, mask, paste, profile
from pastewright.demo.gerber_text import CREATED, ORIGIN_MM, gerber_text
from pastewright.demo.layout import PADS, DemoPad
from pastewright.demo.patterns import Shape, Use
from pastewright.demo.tracks import VIA_HOLE_MM, VIA_PAD_MM, VIAS

Flavour = Literal["x2", "rs274x"]
Hole = tuple[float, float, float, tuple[float, float] | None]
"""x, y, diameter [mm, board], and the other end of a slot."""

_LAYERS: tuple[tuple[str, str, str, Callable[[], Drawing]], ...] = (
    ("top-copper", "GTL", "Top layer", lambda: copper(bottom=False)),
    ("bottom-copper", "GBL", "Bottom layer", lambda: copper(bottom=True)),
    ("top-mask", "GTS", "Top solder mask", lambda: mask(bottom=False)),
    ("bottom-mask", "GBS", "Bottom solder mask", lambda: mask(bottom=True)),
    ("top-paste", "GTP", "Top paste", lambda: paste(bottom=False)),
    ("bottom-paste", "GBP", "Bottom paste", lambda: paste(bottom=True)),
    ("top-legend", "GTO", "Top overlay", lambda: legend(bottom=False)),
    ("bottom-legend", "GBO", "Bottom overlay", lambda: legend(bottom=True)),
    ("outline", "GKO", "Board outline", profile),
)


def demo_files(flavour: Flavour) -> dict[str, bytes]:
    """Return the demo board's fabrication files by name."""
    old = flavour == "rs274x"
    texts: dict[str, str] = {}
    for words, extension, title, draw in _LAYERS:
        name = f"GREENLOG.{extension}" if old else f"greenhouse-logger-{words}.gbr"
        texts[name] = gerber_text(draw(), old=old, title=title)
    if old:
        texts["GREENLOG.TXT"] = _old_drill_text()
        texts["GREENLOG.IPC"] = netlist_text()
    else:
        texts["greenhouse-logger-plated-holes.drl"] = _xnc_text(plated=True)
        texts["greenhouse-logger-bare-holes.drl"] = _xnc_text(plated=False)
    return {name: text.encode("ascii") for name, text in texts.items()}


def write_demo(folder: Path, flavour: Flavour = "x2") -> tuple[Path, ...]:
    """Write the demo board's files into `folder`, which is made if need be; return their paths.

    The bytes depend on the flavour alone. Raises OSError when the folder cannot be written to.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for name, data in demo_files(flavour).items():
        path = folder / name
        path.write_bytes(data)
        written.append(path)
    return tuple(written)


def holes(*, plated: bool) -> tuple[Hole, ...]:
    """Return all holes and slots of one kind [mm, board]."""
    found = [_hole(pad) for pad in PADS if pad.land.hole and pad.land.plated == plated]
    if plated:
        found.extend((x, y, VIA_HOLE_MM, None) for _net, x, y in VIAS)
    return tuple(found)


def _hole(pad: DemoPad) -> Hole:
    if not pad.land.slot:
        return pad.x, pad.y, pad.land.hole, None
    half = pad.land.slot / 2
    # Slots run along the pad's long side, which is y before turning.
    dx, dy = (half, 0.0) if pad.turn_deg % 180 else (0.0, half)
    return pad.x - dx, pad.y - dy, pad.land.hole, (pad.x + dx, pad.y + dy)


def _by_tool(found: tuple[Hole, ...]) -> list[tuple[float, list[Hole]]]:
    return [
        (size, [hole for hole in found if hole[2] == size]) for size in sorted({hole[2] for hole in found})
    ]


def _xnc_text(*, plated: bool) -> str:
    """Return an XNC drill file: metric with points, attributes in comments, slots routed."""
    kind, short = ("Plated", "PTH") if plated else ("NonPlated", "NPTH")
    tools = _by_tool(holes(plated=plated))
    lines = [
        "M48",
        f"; Greenhouse soil logger, {'plated' if plated else 'bare'} holes: places as in the layers, in mm",
        f"; #@! TF.CreationDate,{CREATED}",
        "; #@! TF.GenerationSoftware,pastewright,demo board,1",
        f"; #@! TF.FileFunction,{kind},1,2,{short}",
        "FMAT,2",
        "METRIC",
    ]
    for i, (size, _each) in enumerate(tools, start=1):
        lines += [_drill_function(kind, short, size), f"T{i}C{size:.3f}"]
    lines += ["%", "G90", "G05"]
    for i, (_size, each) in enumerate(tools, start=1):
        lines.append(f"T{i}")
        for x, y, _d, to in each:
            if to is None:
                lines.append(_xnc_place(x, y))
            else:
                lines += [f"G00{_xnc_place(x, y)}", "M15", f"G01{_xnc_place(*to)}", "M16", "G05"]
    return "\n".join([*lines, "T0", "M30", ""])


def _drill_function(kind: str, short: str, size: float) -> str:
    use = "ViaDrill" if size == VIA_HOLE_MM else "ComponentDrill"
    return f"; #@! TA.AperFunction,{kind},{short},{use}"


def _xnc_place(x: float, y: float) -> str:
    return f"X{x + ORIGIN_MM[0]:.4f}Y{y + ORIGIN_MM[1]:.4f}"


def _old_drill_text() -> str:
    """Return one drill file for both platings: inches without points, slots by G85, plating in comments."""
    plain = _by_tool(holes(plated=True)), _by_tool(holes(plated=False))
    lines = ["M48", ";FILE_FORMAT=2:5", "INCH,TZ"]
    body = ["%"]
    number = 0
    for word, tools in zip(("PLATED", "NON_PLATED"), plain, strict=True):
        lines.append(f";TYPE={word}")
        for size, each in tools:
            number += 1
            lines.append(f"T{number:02d}F00S00C{size / 25.4:.5f}")
            body.append(f"T{number:02d}")
            for x, y, _d, to in each:
                slot = "" if to is None else "G85" + _old_place(*to)
                body.append(_old_place(x, y) + slot)
    return "\n".join([*lines, *body, "M30", ""])


def _old_place(x: float, y: float) -> str:
    return f"X{round((x + ORIGIN_MM[0]) / 25.4 * 1e5)}Y{round((y + ORIGIN_MM[1]) / 25.4 * 1e5)}"


def _tenth_mil(value_mm: float) -> int:
    return round(value_mm / 0.00254)


def netlist_text() -> str:
    """Return the IPC-D-356 netlist: inches, one record for each pad and via."""
    lines = ["C  Greenhouse soil logger, revision A", "P  JOB   GREENLOG", "P  UNITS CUST 0"]
    for pad in PADS:
        if pad.land.use in (Use.FIDUCIAL_GLOBAL, Use.FIDUCIAL_LOCAL):
            continue
        lines.append(_record(pad))
    for net, x, y in VIAS:
        size = f"X{_tenth_mil(VIA_PAD_MM):04d}Y0000R000"
        hole = f"D{_tenth_mil(VIA_HOLE_MM):04d}P"
        lines.append(f"317{net:<14}   {'VIA':<6} {'':<4}M{hole}A00{_net_place(x, y)}{size} S3")
    return "\n".join([*lines, "999", ""])


def _record(pad: DemoPad) -> str:
    bare = pad.land.use is Use.BARE_HOLE
    record = "367" if bare else "317" if pad.through else "327"
    hole = f"D{_tenth_mil(pad.land.hole):04d}{'P' if pad.land.plated else 'U'}" if pad.land.hole else " " * 6
    access = "A00" if pad.through or bare else "A02" if pad.bottom else "A01"
    height = 0 if pad.land.shape is Shape.ROUND else pad.land.h
    size = f"X{_tenth_mil(pad.land.w):04d}Y{_tenth_mil(height):04d}R{pad.turn_deg % 360:03d}"
    mask_side = "0" if pad.through or bare else "1" if pad.bottom else "2"
    net = pad.net or "N/C"
    return f"{record}{net:<14}   {pad.ref:<6}-{pad.pin:<4} {hole}{access}{_net_place(pad.x, pad.y)}{size} S{mask_side}"


def _net_place(x: float, y: float) -> str:
    return f"X{_tenth_mil(x + ORIGIN_MM[0]):+07d}Y{_tenth_mil(y + ORIGIN_MM[1]):+07d}"
