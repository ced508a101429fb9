"""What goes wrong on a pasted board: which deposits are missing, halved, doubled, bridged, shifted or smeared."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import mounds
import numpy as np

FAULTS = ("missing", "half", "double", "bridged", "shifted", "smeared")
SHARES = (0.24, 0.18, 0.14, 0.18, 0.13, 0.13)
NEAR_MM = (
    0.07  # of two pastes that scatter alone has brought together: neither good nor bridged for the judge
)


@dataclass
class Deposit:
    """A deposit of the plan and what became of it."""

    index: int
    kind: str
    points: np.ndarray  # K×2, mm
    width_mm: float
    planned_ul: float
    pads: list[str] = field(default_factory=list)
    fault: str = ""
    volume_ul: float = 0.0
    laid: list[mounds.Mound] = field(default_factory=list)
    unsure: bool = False
    bridged_to: list[int] = field(default_factory=list)

    @property
    def middle(self) -> np.ndarray:
        return np.asarray(self.points.mean(axis=0))


def of_plan(plan: dict[str, Any]) -> list[Deposit]:
    found: dict[int, Deposit] = {}
    for pad in plan["pads"]:
        for row in pad["deposits"]:
            made = found.setdefault(
                row["id"],
                Deposit(
                    row["id"],
                    row["kind"],
                    np.array(row["points_mm"], float),
                    row["width_mm"],
                    row["total_ul"],
                ),
            )
            made.pads.append(pad["id"])
    return [found[index] for index in sorted(found)]


def planted(deposits: list[Deposit], rng: np.random.Generator) -> None:
    if rng.random() < 0.15:  # a board without a fault
        return
    share = rng.uniform(0.06, 0.15)
    for deposit in deposits:
        if rng.random() < share:
            deposit.fault = str(rng.choice(FAULTS, p=SHARES))


def laid(
    deposit: Deposit, paste: dict[str, Any], bench: tuple[float, float], rng: np.random.Generator, kind: str
) -> None:
    """Its mounds, as the fault has them; `bench`: factors of volume and of width that all deposits share."""
    factor = {"half": rng.uniform(0.3, 0.44), "double": rng.uniform(1.75, 2.2)}.get(deposit.fault, 1.0)
    factor *= bench[0] * float(np.exp(rng.normal(0, paste["scatter"])))
    if deposit.fault == "missing":
        return
    deposit.volume_ul = deposit.planned_ul * factor
    width = deposit.width_mm * factor ** (1 / 3 if deposit.kind == "dot" else 1 / 2) * bench[1]
    width *= float(np.exp(rng.normal(0, 0.02)))
    points = deposit.points + rng.normal(0, 0.02, 2)
    if deposit.fault == "shifted":
        turn = rng.uniform(0, 2 * np.pi)
        if deposit.kind != "dot" and len(points) > 1:  # across the bead
            along = points[-1] - points[0]
            turn = np.arctan2(along[1], along[0]) + np.pi / 2 * rng.choice([-1, 1])
        points = points + rng.uniform(0.2, 0.3) * np.array([np.cos(turn), np.sin(turn)])
    if deposit.kind == "dot":
        deposit.laid = [mounds.dot((points[0, 0], points[0, 1]), width, paste, rng, kind, paste["ratio"])]
    else:
        deposit.laid = mounds.bead(
            points, width, paste, rng, paste["ratio"], 2.2 if kind == "blunt" else None
        )
    scale = deposit.volume_ul / sum(m.volume_ul for m in deposit.laid)
    for mound in deposit.laid:
        mound.vertices[:, 2] *= scale
    if deposit.fault == "smeared":
        _smear(deposit, points, width, rng)


def _smear(deposit: Deposit, points: np.ndarray, width: float, rng: np.random.Generator) -> None:
    turn = rng.uniform(0, 2 * np.pi)
    start = points[rng.integers(len(points))]
    away = start + (width / 2 + rng.uniform(0.35, 0.9)) * np.array([np.cos(turn), np.sin(turn)])
    shape = (mounds.slumped(1.0, 0.5), rng.uniform(0.025, 0.06))
    for mound in deposit.laid:
        mound.vertices[:, 2] *= 0.75
    deposit.laid.append(mounds.capsule(start, away, width * rng.uniform(0.5, 0.85), 0.06, rng, shape))


def bridges(deposits: list[Deposit], rng: np.random.Generator) -> None:
    """Strips of paste to the nearest neighbour for those so marked; what has none near is good."""
    for deposit in deposits:
        if deposit.fault != "bridged":
            continue
        rows = []
        for other in deposits:
            apart = other.laid and not set(other.pads) & set(deposit.pads) and not other.fault
            if other is not deposit and apart:
                gap, a, b = nearest(deposit, other)
                rows.append((gap, other.index, a, b))
        rows = sorted((r for r in rows if 0.08 < r[0] < 0.9), key=lambda r: r[0])
        if not rows:
            deposit.fault = ""
            continue
        _, index, a, b = rows[0]
        other = next(d for d in deposits if d.index == index)
        along = (b - a) / np.linalg.norm(b - a)
        width = min(deposit.width_mm, other.width_mm) * rng.uniform(0.35, 0.8)
        strip = mounds.capsule(
            a - 0.12 * along,
            b + 0.12 * along,
            width,
            0.05,
            rng,
            (mounds.blunt(2.0), width * rng.uniform(0.2, 0.4)),
        )
        deposit.laid.append(strip)
        deposit.bridged_to.append(index)
        other.bridged_to.append(deposit.index)


def nearest(one: Deposit, other: Deposit) -> tuple[float, np.ndarray, np.ndarray]:
    """Gap of two feet, mm (0 where they overlap within a step of their outlines), and its ends."""
    a = np.concatenate([m.foot for m in one.laid])
    b = np.concatenate([m.foot for m in other.laid])
    apart = np.linalg.norm(a[:, None] - b[None], axis=2)
    i, j = np.unravel_index(int(apart.argmin()), apart.shape)
    return float(apart[i, j]), a[i], b[j]


def by_chance(deposits: list[Deposit]) -> None:
    """Marks as unsure what comes within `NEAR_MM` of a neighbour that it was not planned to touch nor bridged to."""
    there = [d for d in deposits if d.laid]
    for i, one in enumerate(there):
        for other in there[i + 1 :]:
            if set(one.pads) & set(other.pads) or other.index in one.bridged_to:
                continue
            reach = (
                3
                + one.width_mm
                + other.width_mm
                + np.ptp(one.points, 0).max()
                + np.ptp(other.points, 0).max()
            )
            if np.abs(one.middle - other.middle).max() < reach and nearest(one, other)[0] < NEAR_MM:
                one.unsure = other.unsure = True
