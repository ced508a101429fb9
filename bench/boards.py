"""Made-up boards of any size for the benchmarks: a field of chip parts, SOIC leads and small leads, as X2 Gerbers."""

from pathlib import Path

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
