"""Ways of a tip and of a probe beside it over boards, followed and judged: no paste here, but heights that nobody knows yet.

Reads the words of probing programs and of moves by hand by rules of its own; the scene is that of `danger_judge`.

    hurt       tip or probe in a board or a zone, out of travel, sideways lower than over everything by the clearance
    lost       a probe that goes down beside the board, or touches nothing
"""

import re
from dataclasses import dataclass
from math import ceil, hypot, inf

import numpy as np
from danger_judge import LOOK_MM, ROUND_MM, Floats, Hurt, Scene, StrangeWordError, Way

KNOWN = {"G0", "G1", "G4", "G17", "G21", "G38.2", "G30", "G40", "G49", "G54", "G61.1", "G80", "G90", "G94"}
KNOWN |= {"M2", "M400", "M114"}
HAND_MM = 0.3  # the least height over a board to which a hand is brought by the machine itself


@dataclass(frozen=True, kw_only=True)
class Probe:
    """Where a probe is beside the tip [mm], and how far below the tip it touches."""

    x: float = 0.0
    y: float = 0.0
    hangs: float = 0.0


Place = tuple[float, float, float]


def flown(
    text: str,
    scene: Scene,
    probe: Probe,
    *,
    start: Place = (inf, inf, inf),
    least_gap: float | None = None,
) -> tuple[Hurt, Place, list[Place]]:
    """Follow a text from a place of the head; returns what it hurts, where the head ends, and where it touched.

    `least_gap` is how low over a board the head may be sideways and go down; without it over all by the clearance.
    """
    hurt, here, touched = Hurt(), start, list[Place]()
    for number, raw in enumerate(text.splitlines(), start=1):
        bare = re.sub(r"\(.*?\)", "", raw.split(";")[0]).split("*")[0].strip().upper()
        words = re.findall(r"([A-Z])\s*([-+]?\d*\.?\d*)", bare)
        codes = {f"{name}{float(value):g}" for name, value in words if name in "GM"}
        if strange := (codes - KNOWN) | {name for name, _ in words} - {*"GMFPNXYZ"}:
            raise StrangeWordError(f"line {number}: {sorted(strange)}")
        values = {name: float(value) for name, value in words if name in "XYZ"}
        if codes & {"G38.2", "G30"}:
            here = _touch(number, here, values.get("Z", -inf), scene, probe, hurt, touched)
        elif values:
            x, y, z = here
            there = (values.get("X", x), values.get("Y", y), values.get("Z", z))
            _look(number, here, there, scene, probe, least_gap, hurt)
            here = there
    return hurt, here, touched


def _way(line: int, start: Place, end: Place) -> Way:
    return Way(line=line, start=start, end=end, push_from=0.0, push_to=0.0, seconds=0.0)


def ground(places: Floats, scene: Scene) -> tuple[Floats, np.ndarray]:
    """The height under each place, and whether a board lies there."""
    height = np.full(len(places), scene.bed_z - 1.6)
    over = np.zeros(len(places), dtype=bool)
    for board in scene.boards:
        own = board.back(places)
        inside = ((own >= 0) & (own <= np.array(scene.size))).all(axis=1)
        height[inside], over[inside] = board.heights(places[inside], scene.size), True
    return height, over


def _look(
    number: int, start: Place, end: Place, scene: Scene, probe: Probe, least_gap: float | None, hurt: Hurt
) -> None:
    way, machine = _way(number, start, end), scene.bench["machine"]
    for axis, at in zip("xyz", end, strict=True):
        if (
            at != inf
            and not machine.get(f"{axis}_min_mm", 0.0) - 0.002 <= at <= machine[f"{axis}_max_mm"] + 0.002
        ):
            hurt.say("travel", way, f"{axis} to {at}")
    clear = scene.tops() + scene.bench["bed"]["clearance_mm"]
    if inf in start:
        if end[2] < clear + max(probe.hangs, 0.0) - ROUND_MM:
            hurt.say("blind", way, f"goes to {end} from nobody knows where")
        return
    across = hypot(end[0] - start[0], end[1] - start[1])
    share = np.linspace(0, 1, max(ceil(max(across, abs(end[2] - start[2])) / LOOK_MM), 1) + 1)[:, None]
    head = np.array(start) + share * (np.array(end) - np.array(start))
    for what, points in _bodies(head, probe):
        _zones(way, what, points, scene, hurt)
        under, _ = ground(points[:, :2], scene)
        lowest = float((points[:, 2] - under).min())
        if across > 0.02 and points[:, 2].min() < clear - ROUND_MM and least_gap is None:
            hurt.say(
                "low", way, f"the {what} goes sideways at Z {points[:, 2].min():.3f}, {clear:.3f} is clear"
            )
        least = 0.0 if least_gap is None or (across < 0.02 and end[2] > start[2]) else least_gap
        if lowest < least - ROUND_MM:
            hurt.say("crash", way, f"the {what} {lowest:.3f} mm over the ground")


def _bodies(head: Floats, probe: Probe) -> list[tuple[str, Floats]]:
    if probe == Probe():
        return [("tip", head)]
    return [("tip", head), ("probe", head + np.array([probe.x, probe.y, -probe.hangs]))]


def _zones(way: Way, what: str, points: Floats, scene: Scene, hurt: Hurt) -> None:
    for board in scene.boards:
        own = board.back(points[:, :2])
        for zone in scene.zones:
            inside = ((own > np.array(zone.low)) & (own < np.array(zone.high))).all(axis=1)
            if not inside.any():
                continue
            low, high = zone.low, zone.high
            corners = np.array([low, high, (low[0], high[1]), (high[0], low[1])])
            top = board.heights(corners @ board.matrix.T + board.shift, scene.size).max() + zone.tall
            if points[inside, 2].min() < top - ROUND_MM:
                hurt.say("zone", way, f"the {what} at Z {points[inside, 2].min():.2f}, its top at {top:.2f}")


def _touch(
    number: int, here: Place, low: float, scene: Scene, probe: Probe, hurt: Hurt, touched: list[Place]
) -> Place:
    """Go down until the probe touches a board; returns where the head stops."""
    at = np.array([[here[0] + probe.x, here[1] + probe.y]])
    under, over = ground(at, scene)
    contact = float(under[0]) + probe.hangs
    there = (here[0], here[1], max(contact, low))
    way = _way(number, here, there)
    if not over[0]:
        hurt.say("lost", way, f"probes beside the boards, at {at[0]}")
    if contact < low - ROUND_MM:
        hurt.say("lost", way, f"ends at Z {low}, {low - contact:.3f} mm above what it looks for")
    if contact > here[2] + ROUND_MM:
        hurt.say("crash", way, f"begins {contact - here[2]:.3f} mm below what it looks for")
    head = np.array([here, there], dtype=float)[:, :] if here != there else np.array([here], dtype=float)
    tip, _ = ground(head[-1:, :2], scene)
    if probe != Probe() and there[2] < tip[0] - ROUND_MM:
        hurt.say("crash", way, f"the tip {tip[0] - there[2]:.3f} mm in the board when the probe touches")
    for what, points in _bodies(head, probe):
        _zones(way, what, points, scene, hurt)
    touched.append(there)
    return there
