"""Made-up boards of any size for the benchmarks: a field of chip parts, SOIC leads and small leads, as X2 Gerbers."""

import re
import tempfile
from pathlib import Path

from pastewright.demo.board import write_demo

# One tile of 6 × 5 mm: (Gerber aperture, x, y) [mm]; sizes after common chip, SOIC and 0.65 mm lead lands.
TILE = (
    *(("R0603", 0.9 + dx, 0.9) for dx in (0.0, 1.65)),
    *(("R0402", 4.3 + dx, 0.9) for dx in (0.0, 1.02)),
    *(("LEAD", 0.8 + 0.65 * step, 3.2) for step in range(4)),
    *(("R0805", 4.1 + dx, 3.4) for dx in (0.0, 1.4)),
)
TILE_MM = (6.0, 5.0)  # so dense that neighbours matter, and nothing bridges
SIZES_MM = {"R0603": (0.8, 0.95), "R0402": (0.54, 0.64), "LEAD": (0.4, 1.2), "R0805": (0.8, 1.2)}


def write_field(folder: Path, pads: int) -> None:
    """Write Gerber files of a board with `pads` pads, tiles in a nearly square field."""
    tiles = -(-pads // len(TILE))
    columns = max(1, round((tiles * TILE_MM[1] / TILE_MM[0]) ** 0.5))
    rows = -(-tiles // columns)
    places = []
    for tile in range(tiles):
        x0, y0 = (tile % columns) * TILE_MM[0], (tile // columns) * TILE_MM[1]
        places += [(name, x0 + x, y0 + y) for name, x, y in TILE]
    places = places[:pads]
    width, height = columns * TILE_MM[0], rows * TILE_MM[1]
    folder.mkdir(parents=True, exist_ok=True)
    for file, function, grow_mm in (
        ("field-copper.gtl", "Copper,L1,Top", 0.0),
        ("field-mask.gts", "Soldermask,Top", 0.1),
        ("field-paste.gtp", "Paste,Top", 0.0),
    ):
        (folder / file).write_text(_layer(function, places, grow_mm), encoding="ascii")
    (folder / "field-edge.gko").write_text(_edge(width, height), encoding="ascii")


def _layer(function: str, places: list[tuple[str, float, float]], grow_mm: float) -> str:
    lines = [f"%TF.FileFunction,{function}*%", "%FSLAX46Y46*%", "%MOMM*%", "G01*"]
    codes = {}
    for number, (name, (width, height)) in enumerate(SIZES_MM.items(), start=10):
        codes[name] = number
        lines.append(f"%ADD{number}R,{width + grow_mm:.3f}X{height + grow_mm:.3f}*%")
    last = ""
    for name, x, y in places:
        if name != last:
            lines.append(f"D{codes[name]}*")
            last = name
        lines.append(f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*")
    return "\n".join([*lines, "M02*", ""])


def _edge(width: float, height: float) -> str:
    corners = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height), (0.0, 0.0)]
    draws = [
        f"X{round(x * 1e6)}Y{round(y * 1e6)}D0{2 if index == 0 else 1}*"
        for index, (x, y) in enumerate(corners)
    ]
    return "\n".join(
        [
            "%TF.FileFunction,Profile,NP*%",
            "%FSLAX46Y46*%",
            "%MOMM*%",
            "%ADD10C,0.1*%",
            "D10*",
            "G01*",
            *draws,
            "M02*",
            "",
        ]
    )


def write_panel(folder: Path, columns: int, rows: int, *, step_mm: tuple[float, float]) -> None:
    """Write a panel of the demo board, copy beside copy, in one outline: what real boards have, as many as wanted."""
    with tempfile.TemporaryDirectory() as single:
        write_demo(Path(single))
        files = [(path.name, path.read_text(encoding="utf-8")) for path in sorted(Path(single).iterdir())]
    shifts = [(column * step_mm[0], row * step_mm[1]) for row in range(rows) for column in range(columns)]
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files:
        if "outline" in name:
            text = _panel_edge(text, columns, rows, step_mm)
        elif name.endswith(".drl"):
            text = "\n".join(
                shifted
                for line in text.splitlines()
                for shifted in ([_moved(line, *at, 1.0) for at in shifts] if line[:1] == "X" else [line])
            )
        else:
            text = _copies(text, shifts)
        (folder / name).write_text(text, encoding="utf-8")


def _copies(text: str, shifts: list[tuple[float, float]]) -> str:
    """A Gerber file whose image is drawn once a shift [mm]; what stands before the first aperture is said once."""
    lines = text.splitlines()
    begin = next(at for at, line in enumerate(lines) if re.fullmatch(r"D\d\d+\*", line))
    end = lines.index("M02*")
    drawn = [
        line if line.startswith("%") else _moved(line, *at, 1e6) for at in shifts for line in lines[begin:end]
    ]
    return "\n".join([*lines[:begin], *drawn, "M02*", ""])


def _moved(line: str, x_mm: float, y_mm: float, per_mm: float) -> str:
    """A line of coordinates with X and Y moved; in `per_mm` units, whole ones where that is not 1."""

    def moved(found: re.Match[str]) -> str:
        at = float(found[2]) + per_mm * (x_mm if found[1] == "X" else y_mm)
        return f"{found[1]}{at:.4f}" if per_mm == 1 else f"{found[1]}{round(at)}"

    return re.sub(r"([XY])(-?[\d.]+)", moved, line)


def _panel_edge(text: str, columns: int, rows: int, step_mm: tuple[float, float]) -> str:
    """The outline of one board drawn round all of them."""
    places = re.findall(r"X(-?\d+)Y(-?\d+)", text)
    x, y = [int(one) for one, _ in places], [int(other) for _, other in places]
    right, high = (columns - 1) * step_mm[0] * 1e6, (rows - 1) * step_mm[1] * 1e6
    corners = [
        (min(x), min(y)),
        (max(x) + right, min(y)),
        (max(x) + right, max(y) + high),
        (min(x), max(y) + high),
        (min(x), min(y)),
    ]
    head = [line for line in text.splitlines() if line.startswith(("%T", "%F", "%M", "%AD"))]
    draws = [f"X{round(a)}Y{round(b)}D0{1 if number else 2}*" for number, (a, b) in enumerate(corners)]
    return "\n".join([*head, "D10*", "G01*", *draws, "M02*", ""])
