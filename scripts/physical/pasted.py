"""Scenes of pasted boards under physical light, drawn at random: what stands where, what is wrong with it, the truth.

A scene follows from its number alone. Numbers 7000 to 7999 are for development; numbers 8000 to 8999 are looked at only
for final figures. What the paste's heights are is drawn apart from what inspection takes them for: profiles between a
ball's cap and a flat top, uneven outlines, grain, leaning peaks. Ranges are from memory of benches, boards and phones.
"""

import itertools
import math

import cv2
import numpy as np
from scenes import LOOKS, _look

BOARDS = ("logger", "leaf", "valve")
MASKS = ("green", "black", "white", "blue", "red")
FINISHES = ("tin", "gold", "copper")
PIXELS = (640, 490)
CELL_MM = 0.02  # of the paste's height field
NEAR_MM = 0.7  # between two pastes that a planted bridge may join
SEEN_MM = 0.4  # rows that reach nearer to the picture's side are not asked for


def drawn(number: int, plans: dict[str, dict]) -> dict:
    """Return the scene of a number, as plain data; `plans` are the boards' plan.json."""
    random = np.random.default_rng(number)

    def u(low: float, high: float) -> float:
        return round(float(random.uniform(low, high)), 4)

    turn = number % 1000
    board = BOARDS[turn % 3]
    px_per_mm = u(30, 42)
    plan = plans[board]
    half = np.array(PIXELS) / px_per_mm / 2
    centre = crop(plan, half * 0.85, random)
    # No picture shows this much of a row: gaps within beads are drawn as missing parts.
    return {
        "number": number,
        "board": board,
        "centre_mm": [round(float(v), 3) for v in centre],
        "mask": {
            "kind": MASKS[turn // 3 % 5],
            "shade": u(0.8, 1.2),
            "roughness": u(0.04, 0.16),
            "texture": u(0.0, 0.03),
            "tracks": u(0.03, 0.2),
        },
        "land": {
            "kind": FINISHES[turn // 15 % 3] if turn < 45 else FINISHES[int(random.integers(3))],
            "roughness": u(0.08, 0.3),
            "brushed": u(1.0, 1.6),
            "shade": u(0.8, 1.0),
        },
        "ground": {"dust": int(random.integers(0, 8)), "fibres": int(random.integers(0, 2))},
        "paste": {
            "grey": u(0.22, 0.5),
            "metal": u(0.0, 0.7),
            "roughness": u(0.3, 0.7),
            "flux_shine": u(0.0, 0.5),
            "grain_um": u(2.0, 7.0),
            "rise": u(1.8, 2.8),
            "fall": u(0.5, 0.9),
            "wider": u(0.97, 1.03),  # this paste's widths over those that the bench was tuned to
            "peak": u(0.0, 0.35),
            "uneven": u(0.005, 0.03),
        },
        "faults": faults(plan, centre, half, random) if random.random() > 0.15 else [],
        "camera": {
            "tilt_deg": u(0, 14),
            "azimuth_deg": u(0, 360),
            "roll_deg": u(-25, 25) + float(random.choice([0, 90, 180, 270])),
            "distance_mm": u(70, 180),
            "px_per_mm": px_per_mm,
            "phone_deg": u(0, 360),
        },
        "window": {
            "azimuth_deg": u(0, 360),
            "elevation_deg": u(15, 65),
            "distance_mm": u(900, 2500),
            "width_mm": u(500, 1500),
            "height_mm": u(600, 1500),
            "colour": [u(0.85, 1.0), u(0.92, 1.0), 1.0],
            "surround": u(0.15, 0.6),
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


def bare_scene(scene: dict) -> dict:
    """Return the scene of the same board before pasting: photographed by hand, so from elsewhere and exposed anew."""
    random = np.random.default_rng([scene["number"], 9])

    def u(low: float, high: float) -> float:
        return round(float(random.uniform(low, high)), 4)

    camera = scene["camera"] | {
        "tilt_deg": u(0, 14),
        "azimuth_deg": u(0, 360),
        "roll_deg": scene["camera"]["roll_deg"] + u(-15, 15),
        "distance_mm": scene["camera"]["distance_mm"] * u(0.9, 1.15),
        "px_per_mm": scene["camera"]["px_per_mm"] * u(0.9, 1.05),
    }
    centre = [round(v + u(-0.6, 0.6), 3) for v in scene["centre_mm"]]
    return scene | {"camera": camera, "centre_mm": centre, "looks": {look: _look(random) for look in LOOKS}}


def rows(plan: dict) -> list[dict]:
    """Return each deposit's part on each pad: id, pad, where it is, planned volume, half the length along a bead."""
    found = []
    for pad in plan["pads"]:
        for deposit in pad["deposits"]:
            points = np.array(deposit["points_mm"])
            spread = len([1 for other in plan["pads"] for d in other["deposits"] if d["id"] == deposit["id"]])
            if spread > 1:
                at = foot(points, np.array([pad["x_mm"], pad["y_mm"]]))
                along = total(points) * deposit["volume_ul"] / deposit["total_ul"]
            else:
                at, along = points.mean(axis=0) if len(points) > 1 else points[0], total(points)
            found.append(
                {
                    "id": deposit["id"],
                    "pad": pad["id"],
                    "at": at,
                    "along": along,
                    "shared": spread > 1,
                    "deposit": deposit,
                }
            )
    return found


def foot(points: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Return the point of a line of points that is nearest to a place."""
    if len(points) == 1:
        return points[0]
    best, found = np.inf, points[0]
    for a, b in itertools.pairwise(points):
        t = np.clip(np.dot(place - a, b - a) / max(np.dot(b - a, b - a), 1e-12), 0, 1)
        at = a + t * (b - a)
        away = float(np.hypot(*(place - at)))
        if away < best:
            best, found = away, at
    return found


def total(points: np.ndarray) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum()) if len(points) > 1 else 0.0


def crop(plan: dict, half: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Return the middle of a part of the board that has many deposits."""
    places = np.array([row["at"] for row in rows(plan)])
    size = np.array(plan["board"]["size_mm"])
    inside = np.minimum(half, size / 2)
    tries = random.uniform(inside, size - inside + 1e-9, (60, 2))
    radius = float(half.min())
    count = [(np.hypot(*(places - at).T) < radius).sum() for at in tries]
    best = np.argsort(count)[-20:]
    return np.asarray(tries[random.choice(best)])


def faults(plan: dict, centre: np.ndarray, half: np.ndarray, random: np.random.Generator) -> list[dict]:
    """Return what is planted: kind, deposit, pads, and how much."""
    near = [r for r in rows(plan) if np.hypot(*(r["at"] - centre)) < half.min() - 0.5]
    random.shuffle(near)
    used: set[int] = set()
    found: list[dict] = []

    def plant(kind: str, row: dict, **more) -> None:
        used.add(row["id"])
        found.append({"kind": kind, "id": row["id"], "pads": [row["pad"]], **more})

    def free(shared: bool | None = None):
        return [r for r in near if r["id"] not in used and (shared is None or r["shared"] is shared)]

    for row in free(False)[: int(random.integers(1, 3))]:
        plant("missing", row)
    for row in free(True)[: int(random.integers(0, 2))]:
        plant("missing", row)  # a gap in a bead, over this pad
    for kind, low, high in (("half", 0.33, 0.42), ("double", 1.8, 2.2)):
        for row in free(False)[: int(random.integers(0, 2))]:
            plant(kind, row, volume=round(float(random.uniform(low, high)), 3))
    for kind in ("shifted", "smeared"):
        for row in free(False)[: int(random.integers(0, 2))]:
            way = random.uniform(0, math.tau)
            by = 0.2 if kind == "shifted" else random.uniform(0.35, 0.8)
            plant(kind, row, by_mm=[round(by * math.cos(way), 3), round(by * math.sin(way), 3)])
    pairs = [
        (a, b)
        for a in near
        for b in near
        if a["id"] < b["id"]
        and a["pad"] != b["pad"]
        and float(np.hypot(*(foot_of(a, b) - foot_of(b, a))))
        - (a["deposit"]["width_mm"] + b["deposit"]["width_mm"]) / 2
        < NEAR_MM
    ]
    random.shuffle(pairs)
    for a, b in pairs:
        if a["id"] in used or b["id"] in used or sum(f["kind"] == "bridged" for f in found) >= 2:
            continue
        used |= {a["id"], b["id"]}
        found.append(
            {
                "kind": "bridged",
                "id": a["id"],
                "pads": [a["pad"], b["pad"]],
                "line": [[round(float(v), 3) for v in p] for p in (foot_of(a, b), foot_of(b, a))],
                "width_mm": round(float(random.uniform(0.14, 0.3)), 3),
            }
        )
    return found


def foot_of(row: dict, other: dict) -> np.ndarray:
    return foot(np.array(row["deposit"]["points_mm"]), other["at"])


class Field:
    """Heights of all paste over the crop [mm], on a grid of cells; below zero where there is none."""

    def __init__(self, scene: dict, plan: dict):
        self.scene, self.plan = scene, plan
        reach = np.array(PIXELS) / scene["camera"]["px_per_mm"] / 2
        self.half = float(np.hypot(*reach)) + 1.0
        self.low = np.array(scene["centre_mm"]) - self.half
        self.count = math.ceil(2 * self.half / CELL_MM) + 1
        self.axis = np.arange(self.count) * CELL_MM
        self.z = np.full((self.count, self.count), -0.02)
        self.random = np.random.default_rng(scene["number"] + 7)
        self.volume: dict[int, float] = {}
        self.rows: list[dict] = []
        self.lay()

    def lay(self) -> None:
        planted = {fault["id"]: fault for fault in self.scene["faults"]}
        todo = {row["id"]: row for row in rows(self.plan)}
        owner: dict[tuple[int, str], float] = {}
        for number in sorted(todo):
            row = todo[number]
            points = np.array(row["deposit"]["points_mm"])
            self.deposit(row, points, planted.get(number, {}), owner)
        for fault in self.scene["faults"]:
            if fault["kind"] == "bridged":
                line = np.array(fault["line"])
                self.add(line, fault["width_mm"], 0.35 * fault["width_mm"], None)
        self.truth(owner, planted)

    def deposit(self, row: dict, points: np.ndarray, fault: dict, owner: dict) -> None:
        """Lay one deposit, less or more or aside as its fault says; adds the volume of each pad's part to `owner`."""
        paste = self.scene["paste"]
        deposit = row["deposit"]
        kind = fault.get("kind", "")
        if kind == "missing" and not row["shared"]:
            return
        share = fault.get("volume", 1.0)
        ul = deposit["total_ul"] * share * math.exp(self.random.normal(0, 0.05))
        power = 1 / 3 if len(points) == 1 else 1 / 2
        wide = deposit["width_mm"] * (ul / deposit["total_ul"]) ** power * paste["wider"]
        wide *= math.exp(self.random.normal(0, 0.012))
        points = points + self.random.normal(0, 0.015, 2)
        if kind == "shifted":
            points = points + np.array(fault["by_mm"])
        parts = [r for r in rows(self.plan) if r["id"] == row["id"]]
        gap = None
        if kind == "missing":
            gone = next(r for r in parts if r["pad"] == fault["pads"][0])
            gap = (gone["at"], gone["along"] / 2 + 0.5 * wide)
        window, z = self.shape(points, wide, gap)
        if window is None:
            return
        body = np.maximum(z, 0).sum() * CELL_MM**2
        if gap is not None:
            whole = np.maximum(self.shape(points, wide, None)[1], 0).sum() * CELL_MM**2
            ul *= body / max(whole, 1e-12)
        high = ul / max(body, 1e-12)
        z = np.where(z > 0, z * high, z * 0.1)
        self.put(window, z)
        self.share(window, z, row["id"], parts, owner)
        if kind == "smeared":
            by = np.array(fault["by_mm"])
            self.add(np.stack([points[0], points[0] + by]), 0.75 * wide, 0.1 * wide, None)

    def shape(self, points: np.ndarray, wide: float, gap):
        """Return a window of the grid and the deposit's heights over it, 1 at the top, below 0 outside."""
        paste = self.scene["paste"]
        reach = 0.75 * wide + 0.1
        low = np.floor((points.min(axis=0) - reach - self.low) / CELL_MM).astype(int)
        high = np.ceil((points.max(axis=0) + reach - self.low) / CELL_MM).astype(int) + 1
        low, high = np.maximum(low, 0), np.minimum(high, self.count)
        if (high - low < 2).any():
            return None, None
        x, y = np.meshgrid(
            self.low[0] + self.axis[low[0] : high[0]], self.low[1] + self.axis[low[1] : high[1]]
        )
        away, angle, along = apart(points, x, y)
        state = np.random.default_rng(int(1e3 * abs(points[0, 0] * 7 + points[0, 1])))
        waves = 1.0
        for k in range(2, 6):
            swing = state.normal(0, paste["uneven"]) / math.sqrt(k)
            phase = state.uniform(0, math.tau)
            waves = waves + swing * np.cos(k * angle + 3.0 * along / wide + phase)
        rho = away / (0.5 * wide * waves)
        z = np.where(
            rho < 1,
            (1 - np.minimum(rho, 1) ** paste["rise"]) ** paste["fall"],
            -(np.maximum(rho, 1) - 1) * 4,
        )
        lean = state.normal(0, 0.1, 2) * wide
        peak = np.exp(-np.hypot(x - points[-1, 0] - lean[0], y - points[-1, 1] - lean[1]) / (0.1 * wide))
        z = np.where(z > 0, z * (1 + paste["peak"] * peak), z)
        if gap is not None:
            cut = np.hypot(x - gap[0][0], y - gap[0][1]) / gap[1]
            z = np.minimum(z, (cut - 1) * 3)
        return (low, high), z

    def put(self, window, z: np.ndarray) -> None:
        (a, b), (c, d) = window[0], window[1]
        self.z[b:d, a:c] = np.maximum(self.z[b:d, a:c], np.maximum(z, -0.02))

    def add(self, line: np.ndarray, wide: float, high: float, gap) -> None:
        window, z = self.shape(line, wide, gap)
        if window is not None:
            self.put(window, np.where(z > 0, z * high, z * 0.1))

    def share(self, window, z, number: int, parts: list[dict], owner: dict) -> None:
        """Add each pad's part of a deposit's volume: what is nearest to the foot of the pad on the bead."""
        (a, b), (c, d) = window[0], window[1]
        x, y = np.meshgrid(self.low[0] + self.axis[a:c], self.low[1] + self.axis[b:d])
        nearest = np.argmin([np.hypot(x - r["at"][0], y - r["at"][1]) for r in parts], axis=0)
        for place, row in enumerate(parts):
            part = np.where((nearest == place) & (z > 0), z, 0).sum() * CELL_MM**2
            owner[number, row["pad"]] = owner.get((number, row["pad"]), 0.0) + float(part)

    def truth(self, owner: dict, planted: dict[int, dict]) -> None:
        """Fill `rows`: volume, fault and joined pads of every row."""
        _, labels = cv2.connectedComponents((self.z > 0.006).astype(np.uint8), connectivity=8)
        # What stands where: each row's paste near its middle names the body that it belongs to.
        bodies: dict[int, set[tuple[int, str]]] = {}
        own: dict[tuple[int, str], set[int]] = {}
        for row in rows(self.plan):
            fault = planted.get(row["id"])
            shift = np.array(fault["by_mm"]) if fault and fault["kind"] == "shifted" else 0
            col, line = np.round((row["at"] + shift - self.low) / CELL_MM).astype(int)
            if not (2 <= col < self.count - 2 and 2 <= line < self.count - 2):
                continue
            seen = {int(v) for v in labels[line - 2 : line + 3, col - 2 : col + 3].ravel()} - {0}
            own[row["id"], row["pad"]] = seen
            for body in seen:
                bodies.setdefault(body, set()).add((row["id"], row["pad"]))
        for row in rows(self.plan):
            key = (row["id"], row["pad"])
            if key not in own:
                continue
            mates = {other for body in own[key] for other in bodies[body]}
            joined = sorted({pad for number, pad in mates if number != row["id"] and pad != row["pad"]})
            fault = planted.get(row["id"])
            kind = fault["kind"] if fault and row["pad"] in fault["pads"] else ""
            if kind == "bridged" or (joined and not kind):
                kind = "bridged" if joined else ""
            self.rows.append(
                {
                    "id": row["id"],
                    "pad": row["pad"],
                    "at": [round(float(v), 4) for v in row["at"]],
                    "planned_ul": row["deposit"]["volume_ul"],
                    "volume_ul": round(owner.get(key, 0.0), 6),
                    "fault": kind,
                    "joined": joined,
                }
            )


def apart(points: np.ndarray, x: np.ndarray, y: np.ndarray):
    """Return distance from a line of points, angle around its nearest point, and length along it."""
    best = np.full(x.shape, np.inf)
    angle, along = np.zeros_like(x), np.zeros_like(x)
    begun = 0.0
    pairs = list(itertools.pairwise(points)) or [(points[0], points[0])]
    for a, b in pairs:
        way = b - a
        length = max(float(np.hypot(*way)), 1e-12)
        t = np.clip(((x - a[0]) * way[0] + (y - a[1]) * way[1]) / length**2, 0, 1)
        dx, dy = x - a[0] - t * way[0], y - a[1] - t * way[1]
        away = np.hypot(dx, dy)
        nearer = away < best
        best = np.where(nearer, away, best)
        angle = np.where(nearer, np.arctan2(dy, dx), angle)
        along = np.where(nearer, begun + t * length, along)
        begun += length
    return best, angle, along
