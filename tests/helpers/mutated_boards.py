"""Small boards of ours in every format, and what accidents make of their files."""

import io
import random
from functools import cache

from pastewright.board.source.files import SourceFile
from pastewright.demo.formats.files import FORMATS

STRANGE = (
    b"0", b"-1", b"1e308", b"-1e308", b"nan", b"inf", b"1e-300", b"999999999999", b"", b"\x00", b"\xff\xfe", b"\xe2\x82",
    b'"', b"<", b">", b"&", b"&a;", b";", b",", b"\t", b"\n", b"%", b"url(#a)", b"1.2.3", b"--5", b"0x10", b"SECTION",
    b"ENDSEC", b"INSERT", b"use", b"path", b"Set", b"<Pad>", b"</Set>", b"MICRON", b"INCH", b"NaN NaN", b"A" * 3000,
    b"D03*", b"G36*", b"G37*", b"%LPC*%", b"%SRX3Y2I5J4*%", b"M02*", b"M30", b"M00", b"METRIC", b"T1C9.9", b"G85",
)  # fmt: skip

PLACES = [(10.0, 6.0), (13.0, 6.0), (10.0, 9.0), (13.0, 9.0)]
HEAD = "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.1*%\n%ADD11R,1X0.5*%\n%ADD12R,1.2X0.7*%\n%ADD13C,0.8*%\nG01*\n"


def _flashes(code: int, places: list[tuple[float, float]]) -> str:
    return f"D{code}*\n" + "".join(f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*\n" for x, y in places)


def _gerber(body: str) -> bytes:
    return f"{HEAD}{body}M02*\n".encode()


@cache
def gerber_set() -> dict[str, bytes]:
    """A board of four pads with mask, copper, edge, drills, a netlist and a table of parts."""
    holes = [(4.0 + 2 * n, 13.0) for n in range(9)]
    named = "".join(
        f"%TO.P,R{n // 2 + 1},{n % 2 + 1}*%\n{_flashes(11, [place])}%TD*%\n" for n, place in enumerate(PLACES)
    )
    nets = "".join(
        f"327N{n:<13}   R{n // 2 + 1:<5}-{n % 2 + 1:<4}       A01X{round(x * 1000):+07d}Y{round(y * 1000):+07d}"
        "X1000Y0500R000S1\n"
        for n, (x, y) in enumerate(PLACES)
    )
    edge = "D10*\nX0Y0D02*\nX24000000D01*\nY16000000D01*\nX0D01*\nY0D01*\n"
    drills = "M48\nMETRIC,TZ\n;TYPE=PLATED\nT1C0.3\n%\nT1\n" + "".join(
        f"X{x:.3f}Y{y:.3f}\n" for x, y in holes
    )
    return {
        "logger-F_Paste.gtp": _gerber(_flashes(11, PLACES)),
        "logger-F_Mask.gts": _gerber(_flashes(12, PLACES)),
        "logger-F_Cu.gtl": _gerber(_flashes(13, holes) + named),
        "logger-Edge.gko": _gerber(edge),
        "logger.drl": f"{drills}M30\n".encode(),
        "logger.ipc": f"P  UNITS CUST 1\n{nets}999\n".encode(),
        "logger-pos.csv": b"Ref,Val,PosX (mm),PosY (mm),Rot,Side\nR1,10k,11.5,6,0,top\nR2,10k,11.5,9,0,top\n",
    }


SVG = b"""<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="16mm" viewBox="0 0 20 16">
<g id="outline"><path d="M0 0h20v16h-20z" fill="none" stroke="#000" stroke-width="0.1"/></g>
<g id="top paste" transform="translate(1 1)"><rect x="2" y="3" width="1" height="0.6"/><rect x="5" y="3" width="1"
height="0.6" transform="rotate(10)"/><circle cx="8" cy="6" r="0.5"/><path d="M3 9h3" fill="none" stroke="#000"
stroke-width="0.5"/></g><g id="fiducials"><circle cx="2" cy="14" r="0.5"/></g></svg>"""
TABLE = b"""x_mm,y_mm,width,height,rotation,ref,pin
2,2,1,0.6,0,R1,1
4,2,1,0.6,0,R1,2
2,5,0.8,0.8,45,C1,1
4,5,0.8,0.8,45,C1,2
"""


@cache
def drawing(name: str) -> bytes:
    """A board of a few shapes as a file of one format."""
    if name == "svg":
        return SVG
    if name == "table":
        return TABLE
    if name == "dxf":
        return _dxf()
    lines = FORMATS[name][1]().splitlines()
    inner = [n for n, line in enumerate(lines) if line.startswith(b"<Set")]
    dropped = set(inner[12:])
    return b"\n".join(line for n, line in enumerate(lines) if n not in dropped)


def _dxf() -> bytes:
    import ezdxf

    document = ezdxf.new("R2000")
    document.header["$INSUNITS"] = 4
    space = document.modelspace()
    block = document.blocks.new("pad")
    block.add_lwpolyline([(0, 0), (1, 0), (1, 0.6), (0, 0.6)], close=True)
    for n in range(3):
        space.add_blockref("pad", (3 * n + 2, 3), dxfattribs={"layer": "top_paste", "rotation": 30 * n})
    space.add_lwpolyline([(2, 6), (5, 6)], dxfattribs={"const_width": 0.5, "layer": "top_paste"})
    space.add_lwpolyline([(0, 0), (14, 0), (14, 9), (0, 9)], close=True, dxfattribs={"layer": "outline"})
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode()


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Return the data with one to four accidents: cut, doubled, overwritten, moved, filled with strange numbers."""
    for _ in range(rng.randint(1, 4)):
        if not data:
            return data
        a, b = sorted(rng.randrange(len(data) + 1) for _ in range(2))
        b = min(b, a + rng.choice((1, 4, 20, 200)))
        kind = rng.randrange(7)
        if kind == 0 and rng.random() < 0.3:
            data = data[:a]
        elif kind == 1:
            data = data[:a] + data[b:]
        elif kind == 2:
            data = data[:a] + rng.choice(STRANGE) + data[b:]
        elif kind == 3:
            data = data[:a] + data[a:b] * rng.randint(2, 4) + data[b:]
        elif kind == 4:
            data = data[:a] + bytes([rng.randrange(256)]) + data[a + 1 :]
        elif kind == 5:
            c = rng.randrange(len(data))
            data = data[:a] + data[c : c + b - a] + data[b:]
        else:
            digits = [n for n in range(a, min(len(data), a + 400)) if data[n : n + 1].isdigit()]
            if digits:
                n = rng.choice(digits)
                data = data[:n] + rng.choice((b"0", b"7", b"99", b"-", b".", b"")) + data[n + 1 :]
    return data


def mutated_board(seed: int) -> list[SourceFile]:
    """Return the files of a board, one of them damaged; of a set sometimes one is missing or there twice."""
    rng = random.Random(seed)
    name = rng.choice(("set", "set", "set", "set", "svg", "dxf", "ipc2581", "table"))
    if name != "set":
        return [SourceFile(name=f"logger.{name}", data=damaged(drawing(name), rng))]
    files = dict(gerber_set())
    victim = rng.choice(sorted(files))
    files[victim] = damaged(files[victim], rng)
    if rng.random() < 0.15:
        del files[rng.choice(sorted(files))]
    if rng.random() < 0.1:
        again = rng.choice(sorted(files))
        files[again.replace("logger", "sensor")] = damaged(files[again], rng)
    return [SourceFile(name=each, data=data) for each, data in sorted(files.items())]
