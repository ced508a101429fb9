"""A scene to linear light, by a physically based renderer (mitsuba): one picture a light.

With the environment's DRJIT_LIBLLVM_PATH naming an LLVM library (16 or later where the processor is newer than LLVM 15), the
vectorised variant renders, two and a half times as fast on one core; else the scalar one. Pictures of both agree in their
means within 0.3 codes of 255, measured on nine photos; their noise is drawn differently.
"""

import math
import os
import struct
import tempfile
from pathlib import Path

import mitsuba as mi
import numpy as np
from scenes import GROUNDS, METALS, PITCH_MM, middle_of, outline_mm, places_of, truth

mi.set_variant("llvm_ad_rgb" if "DRJIT_LIBLLVM_PATH" in os.environ else "scalar_rgb")

SAMPLES = {"window": 4, "lamp": 4, "room": 6}  # a pixel; what noise is left is about a phone's
BOUNCES = 3
GROUND_MM = 45.0  # half the side of the ground; it fills the picture
FACET_MM = 0.035  # about a powder's grain (20 to 38 µm, type 4)
# Complex refractive index of tin at red, green, blue (from memory of tables of optical constants).
TIN_N, TIN_K = (1.9, 1.5, 1.1), (6.0, 5.5, 4.7)

Transform = mi.ScalarTransform4f


def rendered(scene: dict) -> dict[str, np.ndarray]:
    """Return linear light by window, by lamp, by the room around (height, width, 3); each lights white paper with 1."""
    with tempfile.TemporaryDirectory() as folder:
        mesh = Path(folder) / "dots.ply"
        write_ply(mesh, *dots_mesh(scene))
        return by_each_light(_common(scene, str(mesh)), scene)


def by_each_light(common: dict, scene: dict) -> dict[str, np.ndarray]:
    """Return linear light of what is there, lit by each light by itself (height, width, 3)."""
    pictures = {}
    for name, samples in SAMPLES.items():
        world = mi.load_dict(common | (_room(scene) if name == "room" else _light(scene, name)))
        light = np.array(mi.render(world, spp=samples, seed=scene["number"]))
        pictures[name] = light.astype(np.float32)
    return pictures


def dots_mesh(scene: dict) -> tuple[np.ndarray, np.ndarray]:
    """Return vertices (n, 3) [mm] and triangles of all dots, grainy."""
    random = np.random.default_rng(scene["number"] + 1)
    dots, grain = scene["dots"], scene["paste"]["grain_um"] / 1000
    vertices, triangles, first = [], [], 0
    for index, (x, y, diameter) in truth(scene).items():
        radius = diameter / 2
        rings, spokes = max(8, round(radius / FACET_MM)), max(48, round(math.tau * radius / (1.6 * FACET_MM)))
        angles = np.arange(spokes) * math.tau / spokes
        rim = outline_mm(scene, index, angles)
        rho = np.linspace(0, 1, rings + 1)[1:] ** 0.8  # closer rings at the rim
        body = np.clip(1 - rho ** dots["rise"], 0, 1) ** dots["fall"]
        px, py = rho[:, None] * np.cos(angles), rho[:, None] * np.sin(angles)
        lean = dots["lean"][index]
        peak = np.exp(-np.hypot(px - lean[0], py - lean[1]) / dots["peak_wide"]) * dots["peak"][index]
        height = dots["height"][index] * diameter
        z = height * body[:, None] * (1 + peak)
        wobble = random.normal(0, grain, (*z.shape, 3)) * (rho < 0.999)[:, None, None]
        points = np.stack([x + rim * px, y + rim * py, z], axis=-1) + wobble
        points[..., 2] = np.maximum(points[..., 2], 0)
        points[-1, :, 2] = -0.002
        top = np.array(
            [[x, y, height * (1 + dots["peak"][index] * math.exp(-math.hypot(*lean) / dots["peak_wide"]))]]
        )
        vertices.append(np.concatenate([top, points.reshape(-1, 3)]))
        around = np.arange(spokes)
        after = (around + 1) % spokes
        fans = [np.stack([np.zeros_like(around), 1 + around, 1 + after], axis=-1)]
        for ring in range(rings - 1):
            a, b = 1 + ring * spokes, 1 + (ring + 1) * spokes
            fans.append(np.stack([a + around, b + around, b + after], axis=-1))
            fans.append(np.stack([a + around, b + after, a + after], axis=-1))
        triangles.append(np.concatenate(fans) + first)
        first += len(vertices[-1])
    return np.concatenate(vertices), np.concatenate(triangles)


def write_ply(path: Path, vertices: np.ndarray, triangles: np.ndarray) -> None:
    """Write a binary PLY."""
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(triangles), dtype=[("n", "u1"), ("v", "<i4", 3)])
    faces["n"], faces["v"] = 3, triangles
    path.write_bytes(head.encode() + vertices.astype("<f4").tobytes() + faces.tobytes())
    assert struct.calcsize("<Biii") == faces.dtype.itemsize


def _common(scene: dict, mesh: str) -> dict:
    camera = scene["camera"]
    x, y = middle_of(scene)
    tilt, roll = math.radians(camera["tilt_deg"]), math.radians(camera["roll_deg"])
    width, high = camera["long_px"], camera.get("high", 0.8)
    # The picture's shorter side takes in all of the sheet, however it is turned, and a tilt's nearer side.
    turn = np.array([[math.cos(roll), math.sin(roll)], [-math.sin(roll), math.cos(roll)]])
    half = np.abs((places_of(scene) - [x, y]) @ turn.T).max(axis=0) + 0.6 * PITCH_MM
    nearer = 1 + half.max() * math.sin(tilt) / camera["distance_mm"]
    seen_mm = 2 * max(half[1], half[0] * high) * nearer / camera["fill"]
    return {
        **photographed(scene, (x, y), seen_mm=seen_mm, size_px=(width, round(width * high))),
        "dots": paste_of(scene, mesh),
        "ground": {
            "type": "rectangle",
            "to_world": Transform().translate([x, y, 0]).scale(GROUND_MM),
            "bsdf": _ground(scene),
        },
    }


def photographed(
    scene: dict, middle_mm: tuple[float, float], *, seen_mm: float, size_px: tuple[int, int]
) -> dict:
    """Return the camera over a middle, `seen_mm` along its shorter side; the phone around it; dirt."""
    camera = scene["camera"]
    x, y = middle_mm
    tilt, azimuth, roll = (math.radians(camera[key]) for key in ("tilt_deg", "azimuth_deg", "roll_deg"))
    back = np.array([math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), math.cos(tilt)])
    place = np.array([x, y, 0]) + camera["distance_mm"] * back
    up = [-math.sin(roll), math.cos(roll), 0]
    phone = math.radians(camera["phone_deg"])
    body = place + back * 3 + 45 * np.array([math.cos(phone), math.sin(phone), 0])
    width, height = size_px
    return {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": BOUNCES},
        "sensor": {
            "type": "perspective",
            "fov": 2 * math.degrees(math.atan(seen_mm / 2 / camera["distance_mm"])),
            "fov_axis": "smaller",
            "to_world": Transform().look_at(place.tolist(), [x, y, 0], up),
            "film": {"type": "hdrfilm", "width": width, "height": height, "rfilter": {"type": "box"}},
            "sampler": {"type": "independent", "sample_count": 4},
        },
        # The phone itself, dark, which gloss and metal mirror.
        "phone": {
            "type": "rectangle",
            "to_world": Transform()
            .translate(body.tolist())
            .rotate([0, 0, 1], camera["phone_deg"])
            .scale([72, 36, 1]),
            "bsdf": {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": 0.06}},
        },
        **_dirt(scene),
    }


def paste_of(scene: dict, mesh: str) -> dict:
    """Return paste as a mesh in a file, rough and more or less shiny."""
    paste = scene["paste"]
    return {
        "type": "ply",
        "filename": mesh,
        "face_normals": True,
        "bsdf": {
            "type": "twosided",
            "bsdf": {
                "type": "principled",
                "base_color": {"type": "rgb", "value": [paste["grey"], paste["grey"], 0.97 * paste["grey"]]},
                "metallic": paste["metal"],
                "roughness": paste["roughness"],
                "clearcoat": paste["flux_shine"],
                "clearcoat_gloss": 0.8,
            },
        },
    }


def _ground(scene: dict) -> dict:
    ground = scene["ground"]
    random = np.random.default_rng(scene["number"] + 2)
    kind = ground["kind"]
    grain = random.normal(0, ground["texture"], (512, 512, 1)).astype(np.float32)
    if kind in METALS:
        rough = ground["roughness"] * ground["shade"]
        plain = {
            "type": "roughconductor",
            "distribution": "ggx",
            "alpha_u": rough * ground["brushed"],
            "alpha_v": rough,
            "specular_reflectance": _texture(np.clip(0.9 + grain, 0, 1) * np.ones(3, np.float32)),
        }
        if kind == "tin":
            plain["eta"] = {"type": "rgb", "value": list(TIN_N)}
            plain["k"] = {"type": "rgb", "value": list(TIN_K)}
        else:
            plain["material"] = {"copper": "Cu", "gold": "Au"}[kind]
        smeared = dict(plain, alpha_u=rough * ground["brushed"] + 0.12, alpha_v=rough + 0.12)
    else:
        colour = np.clip(np.array(GROUNDS[kind]) * ground["shade"], 0, 0.95) * (1 + grain)
        reflectance = _texture(np.clip(colour, 0, 0.97).astype(np.float32))
        if kind == "paper":
            return {"type": "diffuse", "reflectance": reflectance}
        plain = {
            "type": "roughplastic",
            "alpha": ground["roughness"],
            "int_ior": 1.5,
            "diffuse_reflectance": reflectance,
        }
        smeared = dict(plain, alpha=ground["roughness"] + 0.15)
    if not ground["fingerprint"]:
        return plain
    return {
        "type": "blendbsdf",
        "weight": _texture(_fingerprint(random) * np.float32(ground["fingerprint"])),
        "plain": plain,
        "smeared": smeared,
    }


def _texture(values: np.ndarray) -> dict:
    return {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(values)), "raw": True}


def _fingerprint(random: np.random.Generator) -> np.ndarray:
    """Ridges half a millimetre apart in a blot of about 15 mm."""
    y, x = np.mgrid[0:1024, 0:1024] / 1024 * 2 * GROUND_MM
    cx, cy = random.uniform(30, 60, 2)
    away = np.hypot(x - cx, (y - cy) * 0.75)
    ridges = 0.5 + 0.5 * np.sin(away * math.tau / 0.5 + 2 * np.sin(np.arctan2(y - cy, x - cx) * 2))
    return (ridges * np.clip(1.3 - away / 7.5, 0, 1)).clip(0, 1).astype(np.float32)[..., None]


def _dirt(scene: dict) -> dict:
    """Dust as small balls, fibres as thin cylinders, lying anywhere, on dots too."""
    random = np.random.default_rng(scene["number"] + 3)
    found = {}
    for number in range(scene["ground"]["dust"]):
        shade = float(random.choice([0.05, 0.3, 0.7]))
        radius = float(random.uniform(0.015, 0.06))
        place = [*(random.uniform(-4, 28, 2)).tolist(), radius]
        found[f"dust{number}"] = {
            "type": "sphere",
            "center": place,
            "radius": radius,
            "bsdf": {"type": "diffuse", "reflectance": shade},
        }
    for number in range(scene["ground"]["fibres"]):
        start = random.uniform(-4, 28, 2)
        way = random.uniform(0, math.tau)
        end = start + random.uniform(0.8, 3.0) * np.array([math.cos(way), math.sin(way)])
        shade = float(random.choice([0.05, 0.5]))
        found[f"fibre{number}"] = {
            "type": "cylinder",
            "p0": [*start.tolist(), 0.012],
            "p1": [*end.tolist(), 0.012],
            "radius": 0.012,
            "bsdf": {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": shade}},
        }
    return found


def _light(scene: dict, name: str) -> dict:
    """One light; it gives the sheet an irradiance of π, so white paper shows 1."""
    light = scene[name]
    x, y = middle_of(scene)
    azimuth, elevation = math.radians(light["azimuth_deg"]), math.radians(light["elevation_deg"])
    way = np.array(
        [
            math.cos(elevation) * math.cos(azimuth),
            math.cos(elevation) * math.sin(azimuth),
            math.sin(elevation),
        ]
    )
    place = np.array([x, y, 0]) + light["distance_mm"] * way
    aim = Transform().look_at(place.tolist(), [x, y, 0], [0, 0, 1] if elevation < 1.4 else [0, 1, 0])
    if name == "window":
        area = light["width_mm"] * light["height_mm"]
        shape, size = "rectangle", [light["width_mm"] / 2, light["height_mm"] / 2, 1]
    else:
        area = math.pi * light["radius_mm"] ** 2
        shape, size = "disk", [light["radius_mm"], light["radius_mm"], 1]
    radiance = math.pi * light["distance_mm"] ** 2 / (area * math.sin(elevation))
    return {
        name: {
            "type": shape,
            "to_world": aim.scale(size),
            "emitter": {
                "type": "area",
                "radiance": {"type": "rgb", "value": [radiance * c for c in light["colour"]]},
            },
        }
    }


def _room(scene: dict) -> dict:
    """A room: ceiling lighter than walls, a few darker and lighter things; rows from straight up to straight down."""
    random = np.random.default_rng(scene["number"] + 4)
    room = np.ones((32, 64, 3), np.float32)
    room *= np.linspace(1.3, 0.6, 32, dtype=np.float32)[:, None, None]
    for _ in range(8):
        row, column = int(random.integers(4, 26)), int(random.integers(0, 56))
        tall, wide = int(random.integers(2, 8)), int(random.integers(3, 12))
        shade = random.uniform(0.2, 1.8) * random.uniform(0.8, 1.2, 3)
        room[row : row + tall, column : column + wide] *= shade.astype(np.float32)
    turned = Transform().rotate([1, 0, 0], 90)
    return {"room": {"type": "envmap", "bitmap": mi.Bitmap(room), "to_world": turned}}
