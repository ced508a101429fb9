"""Photos of tuning sheets, rendered: a pinhole camera with one distortion coefficient looks at caps on a plane.

Nothing here is shared with the reader of photos but the sheet's value. Rays are traced per dot in sub-pixels
(so a dot seen aslant shows its far side, not its base), light is added up in linear intensity, blurred, made
noisy, encoded as sRGB, and written as JPEG. `Truth` tells what was laid.
"""

import io
import math
from dataclasses import dataclass, field

import cv2
import numpy as np
from PIL import Image

from pastewright.tune.sheet.model import Role, Sheet, SheetDot, odd_places

# Reflectance in linear light, red, green, blue: round numbers, chosen to look like the thing.
BACKGROUNDS = {
    "white paper": (0.80, 0.80, 0.77),
    "green mask": (0.04, 0.20, 0.08),
    "black mask": (0.030, 0.030, 0.033),
    "white mask": (0.66, 0.67, 0.66),
    "bare copper": (0.60, 0.30, 0.17),
}


def make_sheet(*, rows: int = 9, columns: int = 10, pitch_mm: float = 3.0, seed: int = 5) -> Sheet:
    """A sheet with volumes from 1 to 20 in mixed order, odd dots of middle size."""
    random = np.random.default_rng(seed)
    dose = 0.02 * (pitch_mm / 3) ** 3 * np.geomspace(1, 20, rows * columns)
    dose = random.permutation(dose)
    dots = []
    for row in range(rows):
        for column in range(columns):
            index = row * columns + column
            dots.append(
                SheetDot(
                    index=index,
                    row=row,
                    column=column,
                    x_mm=40 + column * pitch_mm,
                    y_mm=25 + row * pitch_mm,
                    dose_ul=float(dose[index]),
                    role=Role.JUMP,
                )
            )
    for down, across in odd_places(rows, columns):
        dots.append(
            SheetDot(
                index=len(dots),
                row=-1,
                column=-1,
                x_mm=40 + across * pitch_mm,
                y_mm=25 + down * pitch_mm,
                dose_ul=float(np.median(dose)),
                role=Role.ODD,
            )
        )
    return Sheet(name="rendered", rows=rows, columns=columns, pitch_mm=pitch_mm, dots=tuple(dots))


@dataclass
class Scene:
    """Everything a photo depends on; angles in degrees."""

    sheet: Sheet
    seed: int = 0
    width_px: int = 2400
    height_px: int = 1800
    fill: float = 0.75  # share of the frame's shorter side that the sheet's longer side takes
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    focal: float = 0.8  # of the longer side
    k1: float = 0.0  # per square of half the diagonal
    background: str = "white paper"
    shape_ratio: float = 0.4
    size_noise: float = 0.04  # relative sd of volume
    ellipticity: float = 0.02  # relative sd
    place_mm: float = 0.01
    missing: int = 0
    merged: int = 0
    blur_px: float = 0.8
    motion_px: float = 0.0
    noise: float = 0.004
    jpeg: int = 90
    gradient: float = 0.2
    vignette: float = 0.15
    shadow: float = 0.0  # how much light a shadow across the sheet takes away
    glare: float = 0.0  # light added in the middle of a reflection, 1 = white
    gloss: float = 0.3
    cast: float = 0.1  # shadow that a dot casts
    exposure: float = 0.85
    dirt: int = 0
    hairs: int = 0
    lens_dirt: int = 0
    texture: float = 0.012
    clutter: int = 6
    paste: float = 0.17
    volumes_ul: dict[int, float] | None = None  # what was laid, where it is not the doses with noise
    bead_mm: float = 0.6  # how wide the sheet's beads are

    @property
    def extent_mm(self) -> tuple[float, float, float, float]:
        """Least and most x, then y, of all that is laid [mm]."""
        places = [(dot.x_mm, dot.y_mm) for dot in self.sheet.dots]
        places += [place for bead in self.sheet.beads for place in bead.path_mm]
        xs, ys = zip(*places, strict=True)
        return min(xs), max(xs), min(ys), max(ys)


@dataclass
class Truth:
    """What lies on the sheet: per index the centre and diameter [mm], and what is wrong with a dot."""

    centre_mm: dict[int, tuple[float, float]] = field(default_factory=dict)
    diameter_mm: dict[int, float] = field(default_factory=dict)
    diameter_px: dict[int, float] = field(default_factory=dict)
    missing: set[int] = field(default_factory=set)
    merged: set[int] = field(default_factory=set)
    hidden: set[int] = field(default_factory=set)  # lost in glare or outside the frame
    corners_px: np.ndarray | None = None


def random_scene(seed: int, *, long_side: tuple[int, int] = (2000, 3200)) -> Scene:
    """A scene drawn at random from everything a person may hand in and a reader should cope with."""
    random = np.random.default_rng(seed)
    pitch = float(random.choice([2.5, 3.0, 4.0]))
    rows, columns = int(random.integers(7, 11)), int(random.integers(8, 13))
    long_px = int(random.integers(*long_side))
    short_px = int(long_px * 0.75)
    upright = random.random() < 0.3
    background = str(random.choice(list(BACKGROUNDS)))
    dark = background == "black mask"
    return Scene(
        sheet=make_sheet(rows=rows, columns=columns, pitch_mm=pitch, seed=seed),
        seed=seed,
        width_px=short_px if upright else long_px,
        height_px=long_px if upright else short_px,
        fill=float(random.uniform(0.7, 0.95)),
        tilt_deg=float(random.uniform(0, 32)),
        azimuth_deg=float(random.uniform(0, 360)),
        roll_deg=float(random.choice([random.uniform(-15, 15), random.uniform(0, 360), 180, 90])),
        focal=float(random.uniform(0.7, 1.1)),
        k1=float(random.uniform(-0.03, 0.03)),
        background=background,
        shape_ratio=float(random.uniform(0.28, 0.45)),
        place_mm=0.01,
        missing=int(random.integers(0, 4)),
        merged=int(random.random() < 0.3),
        blur_px=float(random.uniform(0.5, 1.8)),
        motion_px=float(random.choice([0, 0, random.uniform(0, 2.5)])),
        noise=float(random.uniform(0.002, 0.012)),
        jpeg=int(random.integers(60, 96)),
        gradient=float(random.uniform(0, 0.4)),
        vignette=float(random.uniform(0, 0.3)),
        shadow=float(random.choice([0, random.uniform(0.2, 0.5)])),
        glare=float(random.choice([0, 0, random.uniform(0.05, 0.25)])),
        gloss=float(random.uniform(0, 0.5)),
        cast=float(random.uniform(0, 0.2)),
        exposure=float(random.uniform(0.6, 0.95)) * (2.0 if dark else 1.0),
        dirt=int(random.integers(0, 8)),
        hairs=int(random.integers(0, 3)),
        lens_dirt=int(random.integers(0, 3)),
        paste=float(random.uniform(0.13, 0.22)),
    )


class Camera:
    """A pinhole with one distortion coefficient, looking at the middle of the sheet; the world has z up."""

    def __init__(self, scene: Scene) -> None:
        left, right, near, far = scene.extent_mm
        self.target = np.array([(left + right) / 2, (near + far) / 2, 0.0])
        extent = max(right - left, far - near) + 2 * scene.sheet.pitch_mm
        self.focal = scene.focal * max(scene.width_px, scene.height_px)
        self.middle = np.array([(scene.width_px - 1) / 2, (scene.height_px - 1) / 2])
        self.radius = math.hypot(scene.width_px, scene.height_px) / 2
        self.k1 = scene.k1
        px_per_mm = scene.fill * min(scene.width_px, scene.height_px) / extent
        distance = self.focal / px_per_mm
        tilt, azimuth, roll = map(math.radians, (scene.tilt_deg, scene.azimuth_deg, scene.roll_deg))
        back = np.array(
            [math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), math.cos(tilt)]
        )
        self.place = self.target + distance * back
        forward = -back
        up = np.array([-math.sin(roll), math.cos(roll), 0.0])
        across: np.ndarray = np.cross(forward, up)
        across = across / np.linalg.norm(across)
        down = np.cross(forward, across)
        self.turn = np.vstack([across, down, forward])  # world to camera

    def project(self, world: np.ndarray) -> np.ndarray:
        eye = (world - self.place) @ self.turn.T
        ideal = self.focal * eye[..., :2] / eye[..., 2:]
        square = np.sum((ideal / self.radius) ** 2, axis=-1, keepdims=True)
        return ideal * (1 + self.k1 * square) + self.middle

    def rays(self, pixels: np.ndarray) -> np.ndarray:
        """Directions [not of unit length] through pixels, in the world."""
        x0, y0 = pixels[..., 0] - self.middle[0], pixels[..., 1] - self.middle[1]
        shrink = np.ones_like(x0)
        square = (x0 * x0 + y0 * y0) / self.radius**2
        for _ in range(8):  # each step leaves 2·k1 of the error: 1e-10 of the picture's size after eight
            shrink = 1 / (1 + self.k1 * square * shrink * shrink)
        eye = np.stack([x0 * shrink / self.focal, y0 * shrink / self.focal, np.ones_like(x0)], axis=-1)
        return eye @ self.turn


def render(scene: Scene) -> tuple[np.ndarray, Truth]:
    """Return the photo (uint8, red-green-blue) and the truth."""
    random = np.random.default_rng(scene.seed + 1000)
    camera = Camera(scene)
    truth = _lay(scene, random, camera)
    ground = np.array(BACKGROUNDS[scene.background], dtype=np.float32)
    picture = _table(scene, random, camera, ground, truth)
    light = _light(scene, random)
    picture *= light[..., None]
    lamp = _unit(np.array([random.normal(0, 0.5), random.normal(0, 0.5), 1.0]))
    _draw_beads(scene, camera, picture, light)
    for dot in scene.sheet.dots:
        if dot.index in truth.diameter_mm:
            _draw_dot(scene, camera, picture, light, truth, dot.index, lamp)
    for _ in range(scene.dirt):
        _draw_dirt(scene, random, camera, picture, truth)
    for _ in range(scene.hairs):
        _draw_hair(scene, random, camera, picture)
    veil = _glare(scene, random, camera)
    if veil is not None:
        picture += veil[..., None]
        for index, centre in truth.centre_mm.items():
            x, y = camera.project(np.array([*centre, 0.0])).round().astype(int)
            if veil[min(max(y, 0), len(veil) - 1), min(max(x, 0), veil.shape[1] - 1)] > 0.6:
                truth.hidden.add(index)
    if scene.blur_px > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), scene.blur_px)
    if scene.motion_px > 0:
        picture = _shaken(scene, random, picture)
    picture *= np.float32(scene.exposure)
    grain = random.standard_normal(picture.shape, dtype=np.float32)
    picture += grain * np.float32(scene.noise) * np.sqrt(np.maximum(picture, 0) + np.float32(0.05))
    return _encoded(picture), truth


def jpeg_bytes(photo: np.ndarray, quality: int = 90, *, orientation: int | None = None) -> bytes:
    """The photo as a JPEG file; `orientation` is written as EXIF, the pixels stay as they are."""
    file = io.BytesIO()
    image = Image.fromarray(photo)
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    image.save(file, "JPEG", quality=quality, exif=exif)
    return file.getvalue()


def through_jpeg(photo: np.ndarray, quality: int) -> np.ndarray:
    """The photo after a JPEG of this quality."""
    with Image.open(io.BytesIO(jpeg_bytes(photo, quality))) as image:
        return np.asarray(image.convert("RGB"))


def _unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.linalg.norm(vector)


def _lay(scene: Scene, random: np.random.Generator, camera: Camera) -> Truth:
    truth = Truth()
    shape = scene.shape_ratio
    lattice = {(dot.row, dot.column): dot for dot in scene.sheet.lattice}
    for dot in scene.sheet.dots:
        if scene.volumes_ul is not None:
            volume = scene.volumes_ul.get(dot.index, 0.0)
        else:
            volume = dot.dose_ul * math.exp(random.normal(0, scene.size_noise))
        if volume <= 0:
            truth.missing.add(dot.index)
            continue
        truth.diameter_mm[dot.index] = (volume / (math.pi * shape * (0.75 + shape**2) / 6)) ** (1 / 3)
        truth.centre_mm[dot.index] = (
            dot.x_mm + random.normal(0, scene.place_mm),
            dot.y_mm + random.normal(0, scene.place_mm),
        )
    for _ in range(scene.missing):
        dot = scene.sheet.lattice[random.integers(len(scene.sheet.lattice))]
        truth.missing.add(dot.index)
        truth.diameter_mm.pop(dot.index, None)
        truth.centre_mm.pop(dot.index, None)
    for _ in range(scene.merged):
        row, column = random.integers(scene.sheet.rows), random.integers(scene.sheet.columns - 1)
        pair = lattice[int(row), int(column)], lattice[int(row), int(column) + 1]
        if any(dot.index in truth.missing for dot in pair):
            continue
        for dot, way in zip(pair, (0.25, -0.25), strict=True):
            truth.merged.add(dot.index)
            truth.diameter_mm[dot.index] = 0.55 * scene.sheet.pitch_mm
            x, y = truth.centre_mm[dot.index]
            truth.centre_mm[dot.index] = (x + way * scene.sheet.pitch_mm, y)
    for index, centre in truth.centre_mm.items():
        middle = camera.project(np.array([*centre, 0.0]))
        corners = camera.project(
            np.array([[centre[0] + 0.01, centre[1], 0], [centre[0], centre[1] + 0.01, 0]])
        )
        scale = math.sqrt(abs(np.linalg.det((corners - middle) / 0.01)))
        truth.diameter_px[index] = truth.diameter_mm[index] * scale
        margin = truth.diameter_px[index] * 0.8
        if not (
            margin < middle[0] < scene.width_px - margin and margin < middle[1] < scene.height_px - margin
        ):
            truth.hidden.add(index)
    return truth


def _table(
    scene: Scene, random: np.random.Generator, camera: Camera, ground: np.ndarray, truth: Truth
) -> np.ndarray:
    """The table with things on it, and the paper or panel, in reflectance."""
    height, width = scene.height_px, scene.width_px
    wood = np.array([0.30, 0.20, 0.12], np.float32) * random.uniform(0.4, 1.6)
    if scene.background == "bare copper":
        wood = wood[::-1].copy()
    picture = np.empty((height, width, 3), np.float32)
    stripes = 1 + 0.1 * np.sin(np.arange(width, dtype=np.float32) / random.uniform(10, 40))
    picture[:] = wood * stripes[None, :, None]
    for _ in range(scene.clutter):
        colour = random.uniform(0.05, 0.8, 3).tolist()
        spot = int(random.integers(width)), int(random.integers(height))
        if random.random() < 0.5:
            cv2.circle(picture, spot, int(random.integers(10, 80)), colour, -1, cv2.LINE_AA)
        else:
            end = spot[0] + int(random.integers(20, 300)), spot[1] + int(random.integers(20, 300))
            cv2.rectangle(picture, spot, end, colour, -1)
    left, right, near, far = scene.extent_mm
    edge = random.uniform(1.3, 4.0) * scene.sheet.pitch_mm
    corners = np.array(
        [
            [left - edge, near - edge, 0],
            [right + edge, near - edge, 0],
            [right + edge, far + edge, 0],
            [left - edge, far + edge, 0],
        ]
    )
    outline = camera.project(corners)
    truth.corners_px = outline
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    cover = (mask.astype(np.float32) / 255)[..., None]
    paper = np.empty_like(picture)
    paper[:] = ground
    fine: np.ndarray = random.standard_normal((height, width), dtype=np.float32)
    coarse = cv2.resize(
        random.standard_normal((height // 60 + 2, width // 60 + 2)).astype(np.float32),
        (width, height),
        interpolation=cv2.INTER_CUBIC,
    )
    fine = cv2.GaussianBlur(fine, (0, 0), 1.5) * 5.3  # back to unit variance
    if scene.background == "bare copper":
        fine = cv2.blur(fine, (41, 1)) * 3  # brushed
    paper *= (1 + np.float32(scene.texture) * (fine + coarse))[..., None]
    if "mask" in scene.background:
        for _ in range(5):  # tracks that show faintly through the mask
            ends = random.uniform(0, 1, (2, 2)) * [width, height]
            stroke = np.zeros((height, width), np.uint8)
            cv2.line(
                stroke,
                tuple(map(int, ends[0])),
                tuple(map(int, ends[1])),
                255,
                int(random.integers(4, 14)),
                cv2.LINE_AA,
            )
            paper *= (1 + np.float32(0.06 / 255) * stroke)[..., None]
    return picture * (1 - cover) + paper * cover


def _light(scene: Scene, random: np.random.Generator) -> np.ndarray:
    height, width = scene.height_px, scene.width_px
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    way = random.uniform(0, 2 * math.pi)
    light = 1 + scene.gradient * (math.cos(way) * x + math.sin(way) * y) / 1.4
    light = light * (1 - scene.vignette * (x**2 + y**2) / 2)
    if scene.shadow > 0:
        way = random.uniform(0, 2 * math.pi)
        along = math.cos(way) * x + math.sin(way) * y - random.uniform(-0.4, 0.4)
        softness = random.uniform(0.02, 0.2)
        light = light * (1 - scene.shadow / (1 + np.exp(-along / softness)))
    return np.asarray(light, np.float32)


def _draw_dot(
    scene: Scene,
    camera: Camera,
    picture: np.ndarray,
    light: np.ndarray,
    truth: Truth,
    index: int,
    lamp: np.ndarray,
    sub: int = 4,
) -> None:
    """Trace a cap in sub-pixels and lay it over the picture."""
    x_mm, y_mm = truth.centre_mm[index]
    diameter = truth.diameter_mm[index]
    random = np.random.default_rng([scene.seed, index])
    stretch = math.exp(random.normal(0, scene.ellipticity) / 2)
    turn = random.uniform(0, math.pi)
    height_mm = scene.shape_ratio * diameter
    ball = (height_mm**2 + (diameter / 2) ** 2) / (2 * height_mm)
    middle = camera.project(np.array([x_mm, y_mm, 0.0]))
    reach = int(truth.diameter_px[index] * 0.95 + 6)
    left, top = max(int(middle[0]) - reach, 0), max(int(middle[1]) - reach, 0)
    right = min(int(middle[0]) + reach + 1, scene.width_px)
    bottom = min(int(middle[1]) + reach + 1, scene.height_px)
    if right <= left or bottom <= top:
        return
    if truth.diameter_px[index] > 50:
        sub = 2  # a wide outline crosses many pixels, whose roundings cancel
    steps = (np.arange(sub) + 0.5) / sub - 0.5
    xs = (np.arange(left, right)[:, None] + steps).ravel()
    ys = (np.arange(top, bottom)[:, None] + steps).ravel()
    pixels = np.stack(np.meshgrid(xs, ys), axis=-1)
    ray = camera.rays(pixels)
    # An elliptic cap is a round one after stretching the plane by `stretch` along `turn`.
    across = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    squeeze = np.diag([1 / stretch, stretch])
    to_round = across.T @ squeeze @ across
    start = camera.place - np.array([x_mm, y_mm, 0.0])
    start = np.array([*(to_round @ start[:2]), start[2]])
    way = np.concatenate([ray[..., :2] @ to_round.T, ray[..., 2:]], axis=-1)
    offset = start - np.array([0.0, 0.0, height_mm - ball])
    a = way[..., 0] ** 2 + way[..., 1] ** 2 + way[..., 2] ** 2
    b = way @ offset
    c = offset @ offset - ball**2
    inside = b * b - a * c
    hit = inside > 0
    near = np.where(hit, (-b - np.sqrt(np.maximum(inside, 0))) / a, 0)
    point = offset + near[..., None] * way
    on_cap = hit & (point[..., 2] + height_mm - ball >= 0)
    normal = point / ball
    half = _unit(lamp + _unit(camera.place - camera.target))
    shade = 0.72 + 0.28 * np.clip(normal @ lamp, 0, 1)
    bright = scene.paste * shade + scene.gloss * np.where(on_cap, np.clip(normal @ half, 0, 1), 0) ** 120
    plane = start[:2] - start[2] / way[..., 2:] * way[..., :2]
    away = plane + 0.35 * height_mm * lamp[:2] / lamp[2]
    apart = np.hypot(away[..., 0], away[..., 1]) / (diameter / 2)
    cast = scene.cast * np.clip((1.25 - apart) / 0.3, 0, 1)
    shape = len(ys) // sub, sub, len(xs) // sub, sub
    cover = on_cap.reshape(shape).mean(axis=(1, 3))[..., None].astype(np.float32)
    glow = (np.where(on_cap, bright, 0)).reshape(shape).mean(axis=(1, 3)).astype(np.float32)
    dim = np.where(on_cap, 0, cast).reshape(shape).mean(axis=(1, 3)).astype(np.float32)
    patch = picture[top:bottom, left:right]
    lit = light[top:bottom, left:right]
    patch *= 1 - dim[..., None]
    patch *= 1 - cover
    patch += (glow * lit)[..., None] * np.array([1.0, 1.0, 0.97], np.float32)


def _draw_beads(scene: Scene, camera: Camera, picture: np.ndarray, light: np.ndarray) -> None:
    """Lay the sheet's beads as even stripes; nothing is measured on them, they are only in the way."""
    for bead in scene.sheet.beads:
        path = np.array([[x, y, 0.0] for x, y in bead.path_mm])
        seen = camera.project(path)
        scale = np.linalg.norm(np.diff(seen, axis=0), axis=1) / np.linalg.norm(np.diff(path, axis=0), axis=1)
        mask = np.zeros(light.shape, np.uint8)
        wide = max(1, round(float(np.median(scale)) * scene.bead_mm))
        cv2.polylines(mask, [np.round(seen * 16).astype(np.int32)], False, 255, wide, cv2.LINE_AA, 4)
        rows = slice(max(int(seen[:, 1].min()) - wide, 0), max(int(seen[:, 1].max()) + wide, 1))
        cover = (mask[rows].astype(np.float32) / 255)[..., None]
        picture[rows] *= 1 - cover
        picture[rows] += cover * (np.float32(0.9 * scene.paste) * light[rows])[..., None]


def _draw_dirt(
    scene: Scene, random: np.random.Generator, camera: Camera, picture: np.ndarray, truth: Truth
) -> None:
    """A dark or light speck between the dots; some are as big as a small dot."""
    xs = [dot.x_mm for dot in scene.sheet.dots]
    ys = [dot.y_mm for dot in scene.sheet.dots]
    size = random.uniform(0.03, 0.22) * scene.sheet.pitch_mm
    for _ in range(30):
        place = np.array([random.uniform(min(xs) - 2, max(xs) + 2), random.uniform(min(ys) - 2, max(ys) + 2)])
        clear = min(
            (
                math.dist(place, truth.centre_mm[index]) - truth.diameter_mm[index] / 2
                for index in truth.centre_mm
            ),
            default=9.0,
        )
        if clear > size / 2 + 0.1 * scene.sheet.pitch_mm:
            break
    else:
        return
    # Dirt must not fill the place of a missing dot: that would be a dot.
    if any(
        math.dist(place, (dot.x_mm, dot.y_mm)) < 0.3 * scene.sheet.pitch_mm
        for dot in scene.sheet.dots
        if dot.index in truth.missing
    ):
        return
    angle = np.linspace(0, 2 * math.pi, 24, endpoint=False)
    wobble = 1 + 0.25 * np.sin(angle * 3 + random.uniform(0, 6))
    ring = np.stack(
        [
            place[0] + size / 2 * wobble * np.cos(angle),
            place[1] + size / 2 * wobble * np.sin(angle),
            0 * angle,
        ],
        axis=-1,
    )
    colour = (random.uniform(0.02, 0.5) * np.array([1.0, 0.9, 0.8])).tolist()
    outline = np.round(camera.project(ring) * 16).astype(np.int32)
    cv2.fillPoly(picture, [outline], colour, cv2.LINE_AA, 4)


def _draw_hair(scene: Scene, random: np.random.Generator, camera: Camera, picture: np.ndarray) -> None:
    start = random.uniform(0, 1, 2) * [scene.width_px, scene.height_px]
    way = random.uniform(0, 2 * math.pi) + np.cumsum(random.normal(0, 0.15, 40))
    path = start + np.cumsum(np.stack([np.cos(way), np.sin(way)], axis=-1) * scene.width_px / 200, axis=0)
    cv2.polylines(
        picture, [np.round(path * 16).astype(np.int32)], False, (0.06, 0.05, 0.04), 2, cv2.LINE_AA, 4
    )


def _glare(scene: Scene, random: np.random.Generator, camera: Camera) -> np.ndarray | None:
    """Light that the paper or the lens throws back, added to the picture."""
    if scene.glare <= 0 and scene.lens_dirt <= 0:
        return None
    height, width = scene.height_px, scene.width_px
    veil = np.zeros((height, width), np.float32)
    x = np.arange(width, dtype=np.float32)[None, :]
    y = np.arange(height, dtype=np.float32)[:, None]
    spots = [(scene.glare, random.uniform(0.08, 0.2))] if scene.glare > 0 else []
    spots += [(random.uniform(0.01, 0.05), random.uniform(0.03, 0.15)) for _ in range(scene.lens_dirt)]
    for strength, size in spots:
        middle = random.uniform(0.2, 0.8, 2) * [width, height]
        spread = size * width
        veil += np.float32(strength) * np.exp(
            -((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / np.float32(2 * spread**2)
        )
    return veil


def _shaken(scene: Scene, random: np.random.Generator, picture: np.ndarray) -> np.ndarray:
    """Blur along a line: the hand moved."""
    way = random.uniform(0, math.pi)
    kernel = np.zeros((11, 11), np.float32)
    for along in np.linspace(-0.5, 0.5, 41) * scene.motion_px:
        px, py = 5 + along * math.cos(way), 5 + along * math.sin(way)
        left, top = int(px), int(py)
        for dx, wx in ((0, 1 - (px - left)), (1, px - left)):
            for dy, wy in ((0, 1 - (py - top)), (1, py - top)):
                kernel[top + dy, left + dx] += wx * wy
    return cv2.filter2D(picture, -1, kernel / kernel.sum())


def _encoded(picture: np.ndarray) -> np.ndarray:
    """Linear light to sRGB bytes (IEC 61966-2-1)."""
    picture = np.clip(picture, 0, 1)
    steps = 4096
    table = np.linspace(0, 1, steps + 1)
    table = np.where(table <= 0.0031308, table * 12.92, 1.055 * table ** (1 / 2.4) - 0.055)
    return (table[(picture * steps).astype(np.int32)] * 255 + 0.5).astype(np.uint8)
