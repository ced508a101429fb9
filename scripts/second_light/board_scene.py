"""A pasted board from its plan.json: mask, openings, lands, traces that nobody planned, legend, holes, and paste."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import faults
import grounds
import mounds
import numpy as np
import sheet_scene
from draws import Scene
from numpy.typing import NDArray

PER_MM = 45
LEGEND_CLEAR_MM = 0.2  # ink is cut back from lands (common practice 0.15 to 0.25)
WHOLE_MM = 26.0  # boards up to this are seen whole


@dataclass
class Board:
    """The slab's outline K×2, mm; maps of its face; the paste; what the photo is of; the truth by deposit."""

    outline: NDArray[np.float64]
    maps: grounds.Maps
    mounds: list[mounds.Mound]
    seen: tuple[tuple[float, float], tuple[float, float]]
    truth: list[dict[str, Any]]


def pasted(plan: dict[str, Any], scene: Scene, rng: np.random.Generator) -> Board:
    low, high = _seen(plan, rng)
    maps = grounds.empty((low[0] - 5, low[1] - 5), (high[0] + 5, high[1] + 5), PER_MM)
    _faced(maps, plan, scene, rng)
    deposits = faults.of_plan(plan)
    faults.planted(deposits, rng)
    bench = (float(np.exp(rng.normal(0, 0.05))), float(np.exp(rng.normal(0, 0.02))))
    for deposit in deposits:
        faults.laid(deposit, scene.paste, bench, rng, sheet_scene.dot_kind(scene.paste, rng))
    faults.bridges(deposits, rng)
    faults.by_chance(deposits)
    outline = np.array(plan["board"]["outline_mm"][0], float)
    return Board(
        outline,
        maps,
        [m for d in deposits for m in d.laid],
        (low, high),
        [_told(d, low, high) for d in deposits],
    )


def _told(deposit: faults.Deposit, low: tuple[float, float], high: tuple[float, float]) -> dict[str, Any]:
    ends = deposit.points
    return {
        "deposit": deposit.index,
        "pads": deposit.pads,
        "fault": deposit.fault,
        "bridged_to": deposit.bridged_to,
        "unsure": deposit.unsure,
        "planned_ul": deposit.planned_ul,
        "volume_ul": round(sum(m.volume_ul for m in deposit.laid), 6),
        "in_photo": bool(np.all(ends >= low) and np.all(ends <= high)),
    }


def _seen(plan: dict[str, Any], rng: np.random.Generator) -> tuple[tuple[float, float], tuple[float, float]]:
    wide, high = plan["board"]["size_mm"]
    if max(wide, high) <= WHOLE_MM:
        return (-0.7, -0.7), (wide + 0.7, high + 0.7)
    a, b = rng.uniform(17, 21, 2)
    x, y = rng.uniform(-0.7, wide + 0.7 - a), rng.uniform(-0.7, high + 0.7 - b)
    return (float(x), float(y)), (float(x + a), float(y + b))


def _filled(maps: grounds.Maps, shapes: list[Any], value: float = 1.0) -> grounds.Array:
    layer = np.zeros(maps.metal.shape, np.float32)
    for shape in shapes:
        places = (np.asarray(shape, float) - maps.low_mm) * maps.per_mm - 0.5
        cv2.fillPoly(layer, [np.round(places * 256).astype(np.int32)], value, cv2.LINE_AA, 8)
    return layer


def _circles(maps: grounds.Maps, rows: list[dict[str, float]], grow: float = 0.0) -> grounds.Array:
    theta = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    ring = np.column_stack([np.cos(theta), np.sin(theta)])
    return _filled(
        maps, [np.array([r["x_mm"], r["y_mm"]]) + (r["diameter_mm"] / 2 + grow) * ring for r in rows]
    )


def _lands(maps: grounds.Maps, plan: dict[str, Any]) -> grounds.Array:
    layer = np.zeros(maps.metal.shape, np.float32)
    for pad in plan["pads"]:
        inside = _filled(maps, pad["land_mm"][:1])
        if len(pad["land_mm"]) > 1:
            inside *= 1 - _filled(maps, pad["land_mm"][1:])
        layer = np.maximum(layer, inside)
    return layer


def _faced(maps: grounds.Maps, plan: dict[str, Any], scene: Scene, rng: np.random.Generator) -> None:
    """The board's face: traces below mask, openings with a rim of laminate, lands in their finish, legend, holes."""
    lands = _lands(maps, plan)
    far = (
        cv2.distanceTransform((lands < 0.5).astype(np.uint8), cv2.DIST_L2, 5).astype(np.float32) / maps.per_mm
    )
    opening = np.clip((scene.surface["expansion_mm"] - far) * maps.per_mm + 0.5, 0, 1)
    marks = [f | {"diameter_mm": f["diameter_mm"] * 2} for f in plan["board"]["fiducials"]]
    opening = np.maximum(opening, _circles(maps, marks))
    copper = np.maximum(_traces(maps, plan, rng), _pour(maps, far, rng)) * (opening < 0.5)
    grounds.mask_coat(maps, scene.ground, np.maximum(copper, lands), scene.surface, rng)
    bare = (opening * (1 - lands))[..., None]
    maps.colour[:] = maps.colour * (1 - bare) + bare * grounds.LAMINATE * rng.uniform(0.6, 1.2)
    maps.rough[:] = np.maximum(maps.rough, 0.5 * bare[..., 0])
    maps.height_mm -= 0.015 * cv2.GaussianBlur(opening, (0, 0), 1.2)
    grounds.metal_coat(maps, lands, scene.finish, scene.surface, rng)
    _legend(maps, plan, scene, np.clip((LEGEND_CLEAR_MM - far) * maps.per_mm, 0, 1), rng)
    grounds.littered(maps, scene.surface | {"dust": scene.surface["dust"] // 2}, rng)
    hole = _circles(maps, plan["board"]["holes"])
    maps.colour[:] *= 1 - 0.97 * hole[..., None]
    maps.metal[:] *= 1 - hole
    maps.rough[:] = np.maximum(maps.rough, 0.95 * hole)
    out = 1 - _filled(maps, plan["board"]["outline_mm"][:1])
    maps.colour[:] = maps.colour * (1 - out[..., None]) + out[..., None] * grounds.LAMINATE
    maps.height_mm *= 1 - out


def _traces(maps: grounds.Maps, plan: dict[str, Any], rng: np.random.Generator) -> grounds.Array:
    layer = np.zeros(maps.metal.shape, np.float32)
    for pad in plan["pads"]:
        if rng.random() < 0.45:
            continue
        place, turn = np.array([pad["x_mm"], pad["y_mm"]]), rng.integers(8) * np.pi / 4
        way = [place]
        for _ in range(rng.integers(1, 4)):
            place = place + rng.uniform(0.8, 5) * np.array([np.cos(turn), np.sin(turn)])
            way.append(place)
            turn += rng.choice([-1, 1]) * np.pi / 4
        pixels = np.round(((np.array(way) - maps.low_mm) * maps.per_mm - 0.5) * 16).astype(np.int32)
        cv2.polylines(layer, [pixels], False, 1.0, int(rng.uniform(0.13, 0.3) * maps.per_mm), cv2.LINE_AA, 4)
    return layer


def _pour(maps: grounds.Maps, far: grounds.Array, rng: np.random.Generator) -> grounds.Array:
    kind = rng.random()
    if kind < 0.3:
        return np.zeros(maps.metal.shape, np.float32)
    there = grounds.noise(maps.metal.shape, 6 * maps.per_mm, rng) > (-9 if kind > 0.7 else 0.0)
    return ((far > 0.25) & there).astype(np.float32)


def _legend(
    maps: grounds.Maps, plan: dict[str, Any], scene: Scene, clear: grounds.Array, rng: np.random.Generator
) -> None:
    """Reference letters and outlines; white ink, black on a white board."""
    ink = np.zeros(maps.metal.shape, np.float32)
    wide, high = plan["board"]["size_mm"]
    refs: dict[str, list[tuple[float, float]]] = {}
    for pad in plan["pads"]:
        if pad["ref"]:
            refs.setdefault(pad["ref"], []).append((pad["x_mm"], pad["y_mm"]))
    words = {r: (np.min(p, 0) - 0.7, np.max(p, 0) + 0.7) for r, p in refs.items()}
    for _ in range(0 if words else 14):
        at = rng.uniform([1, 1], [wide - 1, high - 1])
        words[f"{rng.choice(list('RCUDJ'))}{rng.integers(1, 40)}"] = (at, at + rng.uniform(1, 3, 2))
    thick = max(int(0.13 * maps.per_mm), 1)
    for word, (a, b) in words.items():
        ax, ay, bx, by = ((np.array([a, b]) - maps.low_mm) * maps.per_mm).astype(int).ravel().tolist()
        if rng.random() < 0.7:
            cv2.rectangle(ink, (ax, ay), (bx, by), 1.0, thick, cv2.LINE_AA)
        lettered = np.zeros_like(ink)  # letters stand upright for the eye, whose y goes down
        place = (ax, int(len(ink) - by - 0.2 * maps.per_mm))
        cv2.putText(
            lettered, word, place, cv2.FONT_HERSHEY_SIMPLEX, 0.9 * maps.per_mm / 22, 1.0, thick, cv2.LINE_AA
        )
        ink = np.maximum(ink, lettered[::-1])
    ink *= 1 - clear
    tone = 0.03 if scene.ground == "white" else 0.78
    maps.colour[:] = maps.colour * (1 - ink[..., None]) + tone * ink[..., None]
    maps.rough[:] = maps.rough * (1 - ink) + 0.6 * ink
    maps.height_mm += 0.012 * cv2.GaussianBlur(ink, (0, 0), 1.0)
