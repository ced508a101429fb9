"""Scenes of tuning sheets under physical light, drawn at random: everything a photo depends on, and the truth.

The distributions stand here, and were written before the reader was changed to meet them. Each scene follows from its
number alone. Numbers 1000 to 1999 are for development; numbers 5000 to 5999 are looked at only for final figures.
The ranges are from memory of benches, boards and phones; none was fitted to what the reader can do.

A scene is seen three times: by window light, by the lamp, and by both; each time by a camera of its own settings.
"""

import math

import numpy as np

DEVELOPMENT = range(1000, 2000)
FINAL = range(5000, 6000)
LOOKS = ("window", "lamp", "both")

# Diffuse reflectance in linear light (red, green, blue) under the gloss; metals have none. From memory.
GROUNDS = {
    "paper": (0.80, 0.80, 0.78),
    "white": (0.70, 0.71, 0.69),
    "green": (0.03, 0.20, 0.08),
    "black": (0.025, 0.025, 0.027),
    "blue": (0.02, 0.06, 0.24),
    "red": (0.30, 0.03, 0.025),
    "copper": (0.0, 0.0, 0.0),
    "gold": (0.0, 0.0, 0.0),
    "tin": (0.0, 0.0, 0.0),
}
METALS = ("copper", "gold", "tin")

SHEET = (8, 9)  # rows, columns
PITCH_MM = 3.0
LEAST_MM, MOST_MM = 0.62, 2.1  # diameters at the smallest and the largest dose


def doses_ul(sheet: tuple[int, int] = SHEET) -> np.ndarray:
    """Doses of the sheet's dots in the order of their index, row by row, the three odd dots last [µL]."""
    random = np.random.default_rng(17)
    widths = random.permutation(np.geomspace(LEAST_MM, MOST_MM, sheet[0] * sheet[1]))
    widths = np.append(widths, [1.5, 1.5, 1.5])
    return widths**3 * math.pi * 0.4 * (0.75 + 0.16) / 6  # a cap 0.4 as high as wide


def places_mm(sheet: tuple[int, int] = SHEET) -> np.ndarray:
    """Commanded places of the dots [mm], the odd ones last: two above the last row, one left of the first column."""
    rows, columns = sheet
    lattice = [(column, row) for row in range(rows) for column in range(columns)]
    odd = [(0.5, rows), (columns - 2.5, rows), (-1.0, rows - 3.5)]
    return np.array(lattice + odd) * PITCH_MM


def middle_mm(sheet: tuple[int, int]) -> tuple[float, float]:
    """The middle of all that is laid [mm]."""
    return ((sheet[1] - 2) * PITCH_MM / 2, sheet[0] * PITCH_MM / 2)


def sheet_data(sheet: tuple[int, int] = SHEET) -> dict:
    """The sheet as in sheet.json."""
    rows, columns = sheet
    dots = []
    for index, ((x, y), dose) in enumerate(zip(places_mm(sheet), doses_ul(sheet), strict=True)):
        odd = index >= rows * columns
        row, column = divmod(index, columns)
        dots.append(
            {
                "index": index,
                "row": -1 if odd else row,
                "column": -1 if odd else column,
                "x_mm": float(x),
                "y_mm": float(y),
                "dose_ul": float(f"{dose:.6g}"),
                "role": "odd" if odd else "jump",
            }
        )
    return {
        "format": "pastewright tuning sheet",
        "version": 1,
        "name": "physical light",
        "rows": rows,
        "columns": columns,
        "pitch_mm": PITCH_MM,
        "dots": dots,
        "beads": [],
        "process": {},
    }


def drawn(number: int, sheet: tuple[int, int] = SHEET) -> dict:
    """Return the scene of a number, as plain data."""
    random = np.random.default_rng(number)

    def u(low: float, high: float) -> float:
        return round(float(random.uniform(low, high)), 4)

    ground = list(GROUNDS)[number % len(GROUNDS)]
    scene = {
        "number": number,
        "ground": {
            "kind": ground,
            "shade": u(0.75, 1.25) if ground not in ("paper", "white") else u(0.88, 1.08),
            "roughness": u(0.08, 0.3) if ground in METALS else u(0.02, 0.15),
            "brushed": u(1.0, 2.5),  # roughness across over along, metals only
            "brush_deg": u(0, 180),
            "texture": u(0.0, 0.04),  # relative sd of reflectance, grain of about 0.1 mm
            "fingerprint": u(0, 1) if random.random() < 0.4 else 0.0,
            "dust": int(random.integers(0, 25)),
            "fibres": int(random.integers(0, 4)),
        },
        "paste": {
            "grey": u(0.22, 0.5),
            "metal": u(0.0, 0.8),
            "roughness": u(0.25, 0.7),
            "flux_shine": u(0.0, 0.6),
            "grain_um": u(2.0, 8.0),
        },
        "dots": _dots(random, sheet),
        "camera": {
            "tilt_deg": u(0, 25),
            "azimuth_deg": u(0, 360),
            "roll_deg": u(-20, 20) + float(random.choice([0, 90, 180, 270])),
            "distance_mm": u(85, 200),
            "long_px": int(random.integers(1050, 1350)),
            "fill": u(0.82, 0.98),
            "phone_deg": u(0, 360),
        },
        "window": {
            "azimuth_deg": u(0, 360),
            "elevation_deg": u(12, 65),
            "distance_mm": u(900, 2500),
            "width_mm": u(500, 1500),
            "height_mm": u(600, 1500),
            "colour": [u(0.85, 1.0), u(0.92, 1.0), 1.0],
            "surround": u(0.15, 0.6),  # light from all around, of that of window or lamp at the sheet
        },
        "lamp": {
            "azimuth_deg": u(0, 360),
            "elevation_deg": u(25, 85),
            "distance_mm": u(300, 1500),
            "radius_mm": u(25, 150),
            "colour": [1.0, u(0.75, 0.98), u(0.5, 0.95)],
            "surround": u(0.05, 0.4),
        },
        "looks": {look: _look(random) for look in LOOKS},
    }
    return scene if sheet == SHEET else scene | {"sheet": list(sheet)}


def _dots(random: np.random.Generator, sheet: tuple[int, int]) -> dict:
    """The dots of a sheet, a few of them missing."""
    count = len(places_mm(sheet))
    missing: list[int] = random.choice(count - 3, int(random.integers(0, 5)), replace=False).tolist()
    if random.random() < 0.08:  # a soft bench lays the large doses only
        order = np.argsort(doses_ul(sheet)[: count - 3])
        missing = order[: int(random.uniform(0.3, 0.5) * len(order))].tolist()
    return drawn_dots(random, doses_ul(sheet), missing)


def sheet_of(scene: dict) -> tuple[int, int]:
    """Rows and columns of a scene's sheet."""
    rows, columns = scene.get("sheet", SHEET)
    return rows, columns


def places_of(scene: dict) -> np.ndarray:
    """Commanded places of a scene's dots [mm]: its own where it tells them, else its sheet's."""
    return np.array(scene["places_mm"]) if "places_mm" in scene else places_mm(sheet_of(scene))


def middle_of(scene: dict) -> tuple[float, float]:
    """The middle of all that is laid in a scene [mm]."""
    if "places_mm" not in scene:
        return middle_mm(sheet_of(scene))
    low, high = places_of(scene).min(axis=0), places_of(scene).max(axis=0)
    return float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2)


def drawn_dots(random: np.random.Generator, doses: np.ndarray, missing: list[int]) -> dict:
    """Widths, outlines and heights: outlines are uneven, caps have a peak aside, none is a ball's."""
    count = len(doses)
    expected = (doses / (math.pi * 0.4 * (0.75 + 0.16) / 6)) ** (1 / 3)
    uneven = random.uniform(0.004, 0.03)
    waves = random.normal(0, 1, (count, 6)) * uneven / np.arange(1.0, 4.0, 0.5)
    high, rise, fall = random.uniform(0.28, 0.48), random.uniform(1.7, 3.3), random.uniform(0.45, 1.0)
    peak = random.uniform(0.0, 0.5)
    return {
        "missing": sorted(int(index) for index in missing),
        "diameter_mm": np.round(
            expected * random.uniform(0.93, 1.05) * np.exp(random.normal(0, 0.013, count)), 4
        ).tolist(),
        "shift_mm": np.round(random.normal(0, 0.015, (count, 2)), 4).tolist(),
        "waves": np.round(waves, 4).tolist(),  # relative amplitudes of cos kφ, k = 2 … 7
        "phases": np.round(random.uniform(0, 2 * np.pi, (count, 6)), 3).tolist(),
        "height": np.round(high * np.exp(random.normal(0, 0.06, count)), 4).tolist(),  # over the diameter
        "rise": round(float(rise), 3),  # z = h·(1 − ρ^rise)^fall
        "fall": round(float(fall), 3),
        "peak": np.round(peak * random.uniform(0.3, 1.7, count), 3).tolist(),  # over the height
        "peak_wide": round(float(random.uniform(0.12, 0.3)), 3),  # over the radius
        "lean": np.round(
            random.normal(0, 0.12, (count, 2)), 3
        ).tolist(),  # where the peak is, over the radius
    }


def _look(random: np.random.Generator) -> dict:
    """What a phone does with the light it gets."""

    def u(low: float, high: float) -> float:
        return round(float(random.uniform(low, high)), 4)

    return {
        "mean_code": u(95, 165),  # automatic exposure aims at this mean brightness …
        "most_full": u(0.001, 0.03),  # … with no more than this share of the picture full white
        "white_balance": [u(0.92, 1.08), 1.0, u(0.92, 1.08)],  # what is left of the light's colour
        "grey_world": u(0.0, 0.4),  # how far white balance takes the picture's mean for grey
        "curve": u(0.0, 0.5),  # strength of an S-shaped tone curve
        "blur_px": u(0.5, 1.5),
        "noise": u(0.002, 0.008),
        "sharpening": u(0.0, 0.8),
        "sharpening_px": u(0.8, 1.8),
        "jpeg": int(random.integers(78, 96)),
    }


def outline_mm(scene: dict, index: int, angles: np.ndarray) -> np.ndarray:
    """Radius of a dot's base along angles [mm], of the area its diameter says."""
    dots = scene["dots"]
    waves = np.array(dots["waves"][index])
    phases = np.array(dots["phases"][index])
    k = np.arange(2, 8)
    shape = 1 + (waves * np.cos(angles[:, None] * k + phases)).sum(axis=1)
    # area of r = r0·(1 + Σ a cos): π·r0²·(1 + Σ a²/2)
    return dots["diameter_mm"][index] / 2 * shape / math.sqrt(1 + float((waves**2).sum()) / 2)


def truth(scene: dict) -> dict[int, tuple[float, float, float]]:
    """Return index → (x, y, diameter) [mm] of the dots that lie there."""
    dots, places = scene["dots"], places_of(scene)
    return {
        index: (
            float(places[index, 0] + dots["shift_mm"][index][0]),
            float(places[index, 1] + dots["shift_mm"][index][1]),
            dots["diameter_mm"][index],
        )
        for index in range(len(places))
        if index not in dots["missing"]
    }
