"""A scene of a pasted board to linear light, by a physically based renderer: one picture a light.

Lights, the room around, dirt and the camera's phone are those of the tuning sheets (`render`). Coordinates are the
board's, moved so that the picture's middle lies where these expect a sheet's.
"""

import tempfile
from pathlib import Path

import cv2
import numpy as np
from pasted import CELL_MM, PIXELS, Field
from render import TIN_K, TIN_N, Transform, _texture, by_each_light, paste_of, photographed, write_ply
from scenes import GROUNDS, METALS, SHEET, middle_mm

TEXTURE_PX_MM = 70
LEGEND_CLEAR_MM = 0.15  # legend is printed no nearer to lands (common practice of board makers)
COLUMN_KEYS = ("id", "pad", "at", "planned_ul", "volume_ul", "fault", "joined")


def rendered(scene: dict, plan: dict, *, bare: bool = False) -> tuple[dict[str, np.ndarray], list[dict]]:
    """Return linear light by window, by lamp, by the room around, and the truth by row; `bare` leaves all paste away."""
    field = Field(scene, plan)
    with tempfile.TemporaryDirectory() as folder:
        mesh = Path(folder) / "paste.ply"
        write_ply(mesh, *mesh_of(field, scene))
        common = _common(scene, plan, field.half, str(mesh))
        if bare:
            del common["paste"]
        return by_each_light(common, scene), field.rows


def mesh_of(field: Field, scene: dict) -> tuple[np.ndarray, np.ndarray]:
    """Return vertices [mm, about the picture's middle] and triangles of the height field, grainy."""
    random = np.random.default_rng(scene["number"] + 1)
    grain = scene["paste"]["grain_um"] / 1000
    z = field.z
    above = z > 0
    cells = above[:-1, :-1] | above[1:, :-1] | above[:-1, 1:] | above[1:, 1:]
    index = np.full(z.shape, -1)
    used = np.zeros(z.shape, bool)
    for a, b in ((0, 0), (1, 0), (0, 1), (1, 1)):
        used[a : z.shape[0] - 1 + a, b : z.shape[1] - 1 + b] |= cells
    index[used] = np.arange(used.sum())
    lines, columns = np.nonzero(used)
    middle = middle_mm(SHEET)
    points = np.stack(
        [
            columns * CELL_MM - field.half + middle[0],
            lines * CELL_MM - field.half + middle[1],
            z[used],
        ],
        axis=-1,
    )
    inner = (z[used] > 0.01)[:, None]
    points += random.normal(0, grain, points.shape) * inner
    line, column = np.nonzero(cells)
    low, right = index[line, column], index[line, column + 1]
    up, far = index[line + 1, column], index[line + 1, column + 1]
    return points, np.concatenate([np.stack([low, right, far], axis=-1), np.stack([low, far, up], axis=-1)])


def _common(scene: dict, plan: dict, half: float, mesh: str) -> dict:
    x, y = middle_mm(SHEET)
    return {
        **photographed(
            scene, (x, y), seen_mm=PIXELS[1] / scene["camera"]["px_per_mm"], size_px=(PIXELS[0], PIXELS[1])
        ),
        "paste": paste_of(scene, mesh),
        "board": {
            "type": "rectangle",
            "to_world": Transform().translate([x, y, 0]).scale(half + 2.0),
            "bsdf": _board(scene, plan, half + 2.0),
        },
    }


def _board(scene: dict, plan: dict, half: float) -> dict:
    """Mask with tracks and legend, holes, bare edge; lands of metal where the mask is open."""
    random = np.random.default_rng(scene["number"] + 2)
    mask, land = scene["mask"], scene["land"]
    low = np.array(scene["centre_mm"]) - half
    count = round(2 * half * TEXTURE_PX_MM)

    def px(points) -> np.ndarray:
        return np.round((np.array(points) - low) * TEXTURE_PX_MM * 16).astype(np.int32)

    def filled(rings, size=count) -> np.ndarray:
        picture = np.zeros((size, size), np.uint8)
        cv2.fillPoly(picture, [px(ring) for ring in rings], 255, cv2.LINE_AA, shift=4)
        return picture.astype(np.float32) / 255

    lands = np.zeros((count, count), np.float32)
    for pad in plan["pads"]:
        lands = np.maximum(lands, filled(pad["land_mm"]))
    tracks, legend = np.zeros((2, count, count), np.uint8)
    places = np.array([[pad["x_mm"], pad["y_mm"]] for pad in plan["pads"]])
    for a in places:
        b = places[np.argsort(np.hypot(*(places - a).T))[int(random.integers(2, 9))]]
        knee = np.array([a[0], b[1]]) if random.random() < 0.5 else np.array([b[0], a[1]])
        cv2.polylines(
            tracks, [px([a, knee, b])], False, 255, max(1, round(0.2 * TEXTURE_PX_MM)), cv2.LINE_AA, 4
        )
        if random.random() < 0.12:
            box = random.uniform(0.8, 2.0, 2)
            cv2.polylines(
                legend,
                [px([a + box * way for way in ((-1, -1), (1, -1), (1, 1), (-1, 1))])],
                True,
                255,
                max(1, round(0.12 * TEXTURE_PX_MM)),
                cv2.LINE_AA,
                4,
            )
        if random.random() < 0.1:
            at = tuple(int(v) for v in (a + random.uniform(0.6, 1.5, 2) - low) * TEXTURE_PX_MM)
            word = f"{random.choice(list('CRDU'))}{random.integers(1, 40)}"
            cv2.putText(
                legend, word, at, cv2.FONT_HERSHEY_SIMPLEX, 0.9 * TEXTURE_PX_MM / 22, 255, 9, cv2.LINE_AA
            )
    beside = 2 * round(LEGEND_CLEAR_MM * TEXTURE_PX_MM) + 1
    grown = cv2.dilate(lands, np.ones((beside, beside), np.uint8))
    drawn = (legend.astype(np.float32) / 255) * (grown < 0.5)
    grain = random.normal(0, mask["texture"], (count // 4 + 1, count // 4 + 1)).astype(np.float32)
    grain = np.asarray(cv2.resize(grain, (count, count)), np.float32)
    base = np.array(GROUNDS[mask["kind"]], np.float32) * mask["shade"]
    shade = 1 + grain + mask["tracks"] * (cv2.GaussianBlur(tracks.astype(np.float32) / 255, (0, 0), 2) - 0.3)
    colour = np.clip(base * shade[..., None], 0, 0.95)
    ink = 0.08 if mask["kind"] == "white" else 0.75
    colour = colour * (1 - drawn[..., None]) + ink * drawn[..., None]
    if plan["board"]["outline_mm"]:
        board = filled(plan["board"]["outline_mm"])[..., None]
        colour = colour * board + np.array([0.35, 0.25, 0.15], np.float32) * (1 - board)
    for hole in plan["board"]["holes"]:
        at = px([[hole["x_mm"], hole["y_mm"]]])[0]
        radius = round(hole["diameter_mm"] / 2 * TEXTURE_PX_MM * 16)
        for picture, value in ((colour, (0.01, 0.01, 0.01)), (lands, 0.0)):
            cv2.circle(picture, tuple(int(v) for v in at), radius, value, -1, cv2.LINE_AA, 4)
    plain = {
        "type": "roughplastic",
        "alpha": mask["roughness"],
        "int_ior": 1.5,
        "diffuse_reflectance": _texture(np.ascontiguousarray(colour).astype(np.float32)),
    }
    return {
        "type": "blendbsdf",
        "weight": _texture(np.ascontiguousarray(lands)[..., None]),
        "mask": plain,
        "metal": _metal(land, random),
    }


def _metal(land: dict, random: np.random.Generator) -> dict:
    kind, rough = land["kind"], land["roughness"]
    assert kind in METALS
    metal = {
        "type": "roughconductor",
        "distribution": "ggx",
        "alpha_u": rough * land["brushed"],
        "alpha_v": rough,
        "specular_reflectance": land["shade"],
    }
    if kind != "tin":
        return metal | {"material": {"copper": "Cu", "gold": "Au"}[kind]}
    metal |= {"eta": {"type": "rgb", "value": list(TIN_N)}, "k": {"type": "rgb", "value": list(TIN_K)}}
    # Levelled tin is wavy: domes of some micrometres over some tenths of a millimetre.
    waves = cv2.GaussianBlur(random.normal(0, 1, (700, 700)).astype(np.float32), (0, 0), 5)
    waves = (waves - waves.min()) / (waves.max() - waves.min())
    return {"type": "bumpmap", "arbitrary": _texture(waves[..., None]), "scale": 0.25, "bsdf": metal}
