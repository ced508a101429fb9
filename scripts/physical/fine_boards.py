"""Two boards with finer parts, as Gerber files of our own: a leaf-wetness node and the driver of a watering valve.

Parts are 0402 chips, packages of 0.5 mm pitch with a thermal pad, and a connector of 0.5 mm pitch. Lands are after
common practice; every number is our own choice.
"""

from pathlib import Path

Rect = tuple[float, float, float, float]  # middle x, y, width, height [mm]


def chip(x: float, y: float, turned: bool) -> list[Rect]:
    """Lands of an 0402."""
    w, h = (0.56, 0.62) if turned else (0.62, 0.56)
    return [(x + (0 if turned else s * 0.49), y + (s * 0.49 if turned else 0), w, h) for s in (-1, 1)]


def row(x: float, y: float, pins: int, pitch: float, size: tuple[float, float], turned: bool) -> list[Rect]:
    """Lands in a row along x, or along y where `turned`."""
    w, h = size[::-1] if turned else size
    first = -(pins - 1) / 2 * pitch
    return [
        (x + (0 if turned else first + k * pitch), y + (first + k * pitch if turned else 0), w, h)
        for k in range(pins)
    ]


def quad(x: float, y: float, pins: int, body: float, thermal: float) -> tuple[list[Rect], list[Rect]]:
    """Lands of a quad package of 0.5 mm pitch, and its thermal land."""
    out = body / 2 + 0.05
    lands = row(x, y - out, pins, 0.5, (0.28, 0.8), False) + row(x, y + out, pins, 0.5, (0.28, 0.8), False)
    lands += row(x - out, y, pins, 0.5, (0.28, 0.8), True) + row(x + out, y, pins, 0.5, (0.28, 0.8), True)
    return lands, [(x, y, thermal, thermal)]


def leaf() -> dict:
    """A leaf-wetness node, 22 × 18 mm."""
    lands, thermal = quad(9.0, 9.0, 5, 4.0, 2.3)
    for k in range(6):
        lands += chip(4.2 + 2.1 * k, 3.2, k % 2 == 0)
        lands += chip(3.6 + 2.3 * k, 14.9, k % 2 == 1)
    for k in range(4):
        lands += chip(14.2, 5.9 + 1.9 * k, False)
        lands += chip(4.0, 6.2 + 1.9 * k, True)
    lands += row(18.6, 9.0, 8, 0.5, (0.3, 1.1), True)
    lands += [(18.9, 5.6, 1.2, 1.0), (18.9, 12.4, 1.2, 1.0)]
    marks = [(1.8, 1.8), (20.2, 1.9), (1.8, 16.2)]
    return {"size": (22.0, 18.0), "lands": lands, "thermal": thermal, "marks": marks, "holes": [(20.0, 16.0)]}


def valve() -> dict:
    """The driver of a watering valve, 24 × 20 mm."""
    lands, thermal = quad(16.0, 11.5, 7, 5.0, 3.2)
    lands += row(6.5, 5.0, 8, 0.65, (0.38, 1.3), False) + row(6.5, 10.6, 8, 0.65, (0.38, 1.3), False)
    for k in range(5):
        lands += chip(11.6 + 2.2 * k, 4.3, k % 2 == 1)
        lands += chip(3.4 + 1.9 * k, 14.4, k % 2 == 0)
        lands += chip(12.7 + 1.9 * k, 17.0, True)
    lands += [(3.2, 7.2, 1.0, 1.5), (3.2, 9.3, 1.0, 1.5), (21.6, 6.6, 1.4, 0.9), (21.6, 8.4, 1.4, 0.9)]
    marks = [(2.0, 2.0), (22.0, 2.2), (2.0, 18.0)]
    return {"size": (24.0, 20.0), "lands": lands, "thermal": thermal, "marks": marks, "holes": [(22.0, 18.0)]}


def gerber(
    function: str, flashes: list[tuple[str, float, float]], lines: list[list[tuple[float, float]]]
) -> str:
    """Return a Gerber file of flashes (aperture, x, y) and drawn lines [mm]."""
    names = {shape: 10 + k for k, shape in enumerate(dict.fromkeys(shape for shape, _, _ in flashes))}
    text = [f"%TF.FileFunction,{function}*%", "%FSLAX46Y46*%", "%MOMM*%", "%LPD*%"]
    text += [f"%ADD{number}{shape}*%" for shape, number in names.items()]
    if lines:
        text += ["%ADD90C,0.1*%", "D90*"]
        for points in lines:
            for k, (x, y) in enumerate(points):
                text.append(f"X{round(x * 1e6)}Y{round(y * 1e6)}D0{2 if k == 0 else 1}*")
    for shape, number in names.items():
        text.append(f"D{number}*")
        text += [f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*" for name, x, y in flashes if name == shape]
    return "\n".join([*text, "M02*", ""])


def write(folder: Path, name: str, board: dict) -> None:
    """Write copper, mask, paste, outline and drill of a board."""
    folder.mkdir(parents=True, exist_ok=True)
    width, height = board["size"]

    def shapes(grow: float, rects: list[Rect]) -> list[tuple[str, float, float]]:
        return [(f"R,{w + grow:.4f}X{h + grow:.4f}", x, y) for x, y, w, h in rects]

    marks = [("C,1.0", x, y) for x, y in board["marks"]]
    openings = [("C,2.0", x, y) for x, y in board["marks"]]
    panes = []
    for x, y, w, _ in board["thermal"]:
        n = 2 if w < 2.8 else 3
        pitch, size = w / n, w / n * 0.78
        first = -(n - 1) / 2 * pitch
        panes += [
            (x + first + i * pitch, y + first + j * pitch, size, size) for i in range(n) for j in range(n)
        ]
    lands = board["lands"] + board["thermal"]
    edge = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height), (0.0, 0.0)]
    files = {
        "top-copper": gerber("Copper,L1,Top", shapes(0.0, lands) + marks, []),
        "top-mask": gerber("Soldermask,Top", shapes(0.1, lands) + openings, []),
        "top-paste": gerber("Paste,Top", shapes(0.0, board["lands"] + panes), []),
        "outline": gerber("Profile,NP", [], [edge]),
    }
    for part, text in files.items():
        (folder / f"{name}-{part}.gbr").write_text(text, encoding="utf-8")
    drill = ["M48", "METRIC,TZ", "T1C2.200", "%", "G90", "G05", "T1"]
    drill += [f"X{x:.3f}Y{y:.3f}" for x, y in board["holes"]] + ["M30", ""]
    (folder / f"{name}-bare-holes.drl").write_text("\n".join(drill), encoding="utf-8")


BOARDS = {"leaf": leaf, "valve": valve}


if __name__ == "__main__":
    import sys

    for board_name, drawn_board in BOARDS.items():
        write(Path(sys.argv[1]) / board_name, board_name, drawn_board())
