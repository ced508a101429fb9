"""A machine in the computer that knows what can be hurt, written apart from all that plans, writes and verifies programs.

It reads a program's text by rules of its own, follows tip and plunger, and compares with a `Scene`: plain numbers of the
bench, of the boards as they truly lie, and of what stands on them. Nothing of pastewright is imported.

    hurt       the tip in a board, below its least gap, in standing paste of another pad, through a zone, out of the axes'
               travel; an axis or the plunger asked for more than it can; the plunger beyond its stroke
    soiled     paste outside its pads, a pad without its paste or with far too much, paste that leaves a raised tip
    dragged    the tip low and sideways over what nobody knows

The plunger is a play of the drive's backlash, then a spring: dS = A·dy − Q(P)·dt, S = (A²/k + V/K)·P + V₀·P/(P₀ + P),
in steps of `STEP_S` by the middle rule; Q by quadrature over the bore (Chhabra and Richardson, chapter 3).
"""

import re
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import ceil, dist, hypot, inf, pi, sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_S = 0.004
ATMOSPHERE_KPA = 101.325  # ISO 2533
LOOK_MM = 0.1  # ways are looked at so often
ROUND_MM = 0.003  # places are written with three decimals, and a way's heights lie between them
LEAST_GAP_MM = 0.02
TOUCH_MM = 0.01  # places of files are rounded
EDGE_MM = 0.9  # the manual promises a millimetre
PAD_MARGIN_MM = 0.1  # `overhang_mm`: a dot may reach so far beyond its land; its middle never does
ROW_MARGIN_MM = 0.35  # a bead across a row may run out past its end pads
DOT_MM = 0.05  # the tip stands still over a dot of the card
ON_CARD = -2  # a board's number where there is none
RAISED_SHARE = 0.03  # of the smallest dose, that may leave the tip on a way up and over
# Words that this machine knows.
PLAIN = {
    "G0", "G1", "G4", "G17", "G20", "G21", "G40", "G49", "G54", "G61", "G61.1", "G64", "G80", "G90",
    "G91", "G90.1", "G91.1", "G92", "G92.1", "G93", "G94", "M2", "M30", "M82", "M83", "M84", "M110",
    "M302", "M400",
}  # fmt: skip


class StrangeWordError(Exception):
    """A word that this machine does not know."""


@dataclass(frozen=True, kw_only=True)
class Way:
    """A line's motion: places [mm, machine], plunger forward [mm], and its time [s]."""

    line: int
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    push_from: float
    push_to: float
    seconds: float


@dataclass(frozen=True, kw_only=True)
class Pad:
    """A pad as a box [mm, board]; `row` names the pads that one bead may join."""

    x: float
    y: float
    width: float
    height: float
    pasted: bool
    row: str = ""

    def holds(self, points: Floats, margin: float) -> NDArray[np.bool_]:
        return (np.abs(points[:, 0] - self.x) <= self.width / 2 + margin) & (
            np.abs(points[:, 1] - self.y) <= self.height / 2 + margin
        )


@dataclass(frozen=True, kw_only=True)
class Zone:
    """A box on every board [mm, board] and what it is high above it; infinite without a top."""

    low: tuple[float, float]
    high: tuple[float, float]
    tall: float


@dataclass(frozen=True, kw_only=True)
class Lying:
    """A board as it lies: machine = matrix · board + shift; its height is z + slopes · machine + bow (a paraboloid)."""

    matrix: Floats
    shift: Floats
    z: float
    slope: tuple[float, float] = (0.0, 0.0)
    bow: float = 0.0
    pasted: bool = True

    def back(self, places: Floats) -> Floats:
        return np.asarray((places - self.shift) @ np.linalg.inv(self.matrix).T)

    def heights(self, places: Floats, size: tuple[float, float]) -> Floats:
        own = self.back(places)
        u = np.clip(2 * own[:, 0] / size[0] - 1, -1, 1)
        v = np.clip(2 * own[:, 1] / size[1] - 1, -1, 1)
        away = places - self.shift
        flat = self.z + away @ np.array(self.slope)
        return np.asarray(flat + self.bow * (1 - u**2) * (1 - v**2))


@dataclass(frozen=True, kw_only=True)
class Scene:
    """All that is true of a bench and what lies on it. `bench` is the profile as its file has it."""

    bench: dict
    size: tuple[float, float]
    pads: tuple[Pad, ...]
    marks: tuple[tuple[float, float], ...]
    zones: tuple[Zone, ...]
    boards: tuple[Lying, ...]
    strips: int = 1
    strip_step: float = 0.0
    dots: tuple[tuple[float, float, float], ...] = ()
    """Dots on the card beside the boards: places [mm, machine] and what each is to get [µL]."""

    @property
    def bed_z(self) -> float:
        return float(self.bench["bed"]["board_z_mm"])

    def tops(self) -> float:
        """The highest place of any board."""
        edge = np.array(
            [(x, y) for x in np.linspace(0, self.size[0], 9) for y in np.linspace(0, self.size[1], 9)]
        )
        tops = [one.heights(edge @ one.matrix.T + one.shift, self.size).max() for one in self.boards]
        return max([self.bed_z, *tops])


# -- the text ---------------------------------------------------------------------------------------------


def plunger_mm_per_unit(bench: dict) -> float:
    """How far the plunger goes forward for one more behind its letter [mm]."""
    drive, area = bench["plunger"], pi / 4 * bench["barrel"]["bore_mm"] ** 2
    turn = drive.get("lead_mm", 0.0) / drive.get("gear", 1.0)
    return {"mm": 1.0, "ul": 1.0 / area, "deg": turn / 360, "turn": turn}[drive["unit"]] * drive.get(
        "sign", 1
    )


def ways_of(text: str, bench: dict) -> list[Way]:
    """Every motion of a program, in order; `StrangeWordError` for what this machine does not know."""
    reprap = bench["controller"]["dialect"] == "reprap"
    letter, per_unit = bench["plunger"]["letter"], plunger_mm_per_unit(bench)
    here = {"X": inf, "Y": inf, "Z": inf, letter: 0.0}
    pushed, feed, rapid, absolute, own, inverse, inch = 0.0, inf, True, True, True, False, False
    ways = []
    for number, raw in enumerate(text.splitlines(), start=1):
        bare = re.sub(r"\(.*?\)", "", raw.split(";")[0]).split("*")[0].strip().upper()
        words = [
            (name, value) for name, value in re.findall(r"([A-Z])\s*([-+]?\d*\.?\d*)", bare) if name != "N"
        ]
        codes = {f"{name}{float(value):g}" for name, value in words if name in "GM"}
        if strange := codes - PLAIN:
            raise StrangeWordError(f"line {number}: {sorted(strange)}")
        inch = inch or "G20" in codes
        absolute = (absolute or "G90" in codes) and "G91" not in codes
        own = (own or "M82" in codes) and "M83" not in codes
        inverse = (inverse or "G93" in codes) and "G94" not in codes
        rapid = (rapid or "G0" in codes) and "G1" not in codes
        values = {name: float(value) for name, value in words if name in here}
        if strange_letters := {name for name, _ in words} - {*"GMFPS", *here}:
            raise StrangeWordError(f"line {number}: {sorted(strange_letters)}")
        feeds = [float(value) for name, value in words if name == "F"]
        feed = feeds[-1] if feeds else feed
        if inch:
            raise StrangeWordError(f"line {number}: inches")
        if not absolute and values and set(values) != {letter}:
            raise StrangeWordError(f"line {number}: steps of the axes")
        if "G92" in codes:
            if set(values) - {letter}:
                raise StrangeWordError(f"line {number}: places renamed")
            here[letter] = values.get(letter, here[letter])
            continue
        if "G92.1" in codes:
            here[letter] = pushed / per_unit
            continue
        if "G4" in codes:
            wait = float(next(value for name, value in words if name == "P")) / (1000 if reprap else 1)
            place = (here["X"], here["Y"], here["Z"])
            ways.append(
                Way(line=number, start=place, end=place, push_from=pushed, push_to=pushed, seconds=wait)
            )
            continue
        if codes & {"M302", "M84", "M400", "M2", "M30"} or not values:
            continue
        relative = not absolute or (reprap and letter == "E" and not own)
        before, was = (here["X"], here["Y"], here["Z"]), pushed
        for name, value in values.items():
            step = value if name == letter and relative else value - here[name]
            pushed += step * per_unit if name == letter else 0.0
            here[name] = here[name] + step if name == letter else value
        after = (here["X"], here["Y"], here["Z"])
        units = abs(pushed - was) / abs(per_unit)
        path = dist(before, after) if all(map(np.isfinite, before)) else 0.0
        if rapid and not reprap:
            seconds = 0.0
        elif inverse:
            seconds = 60 / feed
        else:
            seconds = (path or units) / feed * 60
        ways.append(Way(line=number, start=before, end=after, push_from=was, push_to=pushed, seconds=seconds))
    return ways


# -- the paste --------------------------------------------------------------------------------------------


def flow_table(bench: dict) -> tuple[list[float], list[float]]:
    """Pressures [kPa] and what flows through the tip at them [µL/s]."""
    paste, tip = bench["paste"], bench["tip"]
    radius, length = tip["bore_mm"] / 2, tip["length_mm"]
    yields, thick, index = (
        paste["yield_stress_pa"] / 1000,
        paste["consistency_pa_sn"] / 1000,
        paste["flow_index"],
    )
    pressures = np.geomspace(0.5, 8000, 400)
    r = np.linspace(0, radius, 801)
    flows = []
    for pressure in pressures:
        rate = (np.maximum(pressure * r / 2 / length - yields, 0) / thick) ** (1 / index)
        flows.append(float(np.trapezoid(pi * r**2 * rate, r)))
    return pressures.tolist(), flows


def timed(way: Way, bench: dict) -> tuple[float, float]:
    """How long a way takes from rest to rest, and each of its two ramps [s]: no axis gathers speed faster than it can."""
    machine, drive = bench["machine"], bench["plunger"]
    if inf in way.start or inf in way.end:
        return 0.0, 0.0
    ways = [*(abs(b - a) for a, b in zip(way.start, way.end, strict=True)), abs(way.push_to - way.push_from)]
    if not any(ways):
        return way.seconds, 0.0
    across, up, push = machine["speed_xy_mm_s"], machine["speed_z_mm_s"], drive["speed_mm_s"]
    least = max(
        way.seconds, *(each / speed for each, speed in zip(ways, (across, across, up, push), strict=True))
    )
    gains = (
        machine["accel_xy_mm_s2"],
        machine["accel_xy_mm_s2"],
        machine["accel_z_mm_s2"],
        drive["accel_mm_s2"],
    )
    gain = min(
        one / each for each, one in zip(ways, gains, strict=True) if each > 0
    )  # of the whole way, 1/s²
    if gain * least**2 >= 1:  # speed 1/least is reached
        ramp = 1 / least / gain
        return least + ramp, ramp
    return 2 / sqrt(gain), 1 / sqrt(gain)


def _gone(at: float, seconds: float, ramp: float) -> float:
    """The share of a way done at a time."""
    if ramp <= 0:
        return at / seconds if seconds > 0 else 1.0
    top = 1 / (seconds - ramp)
    if at < ramp:
        return top * at**2 / 2 / ramp
    if at > seconds - ramp:
        return 1 - top * (seconds - at) ** 2 / 2 / ramp
    return top * (at - ramp / 2)


def squeezed(ways: list[Way], bench: dict) -> list[list[float]]:
    """What leaves the tip in each way [µL], in as many equal times as it was looked at."""
    pressures, flows = flow_table(bench)
    drive, barrel, paste = bench["plunger"], bench["barrel"], bench["paste"]
    area = pi / 4 * barrel["bore_mm"] ** 2
    spring = area**2 / 1000 / drive["frame_stiffness_n_mm"] + barrel["fill_ml"] * 1000 / (
        paste["bulk_modulus_mpa"] * 1000
    )
    bubble, slack = bench["tuning"]["bubble_ul"], drive["backlash_mm"]

    def flow(pressure: float) -> float:
        size = abs(pressure)
        at = bisect_left(pressures, size)
        if at == 0 or at >= len(pressures):
            return 0.0 if at == 0 else flows[-1]
        share = (size - pressures[at - 1]) / (pressures[at] - pressures[at - 1])
        out = flows[at - 1] + share * (flows[at] - flows[at - 1])
        return out if pressure > 0 else -out

    def pressure_of(stored: float) -> float:
        """S = c·P + V₀·P/(P₀ + P), solved for P."""
        half = (spring * ATMOSPHERE_KPA + bubble - stored) / 2
        return (sqrt(half**2 + spring * stored * ATMOSPHERE_KPA) - half) / spring

    # Drawn back before: a push takes up the slack first.
    stored, nut = 0.0, slack
    came: list[list[float]] = []
    for way in ways:
        seconds, ramp = timed(way, bench)
        steps = max(ceil(seconds / STEP_S), 1)
        own = []
        for k in range(steps):
            step = seconds / steps
            motor = way.push_from + (way.push_to - way.push_from) * _gone(
                (k + 1) / steps * seconds, seconds, ramp
            )
            moved = min(max(nut, motor), motor + slack) - nut
            nut += moved
            half = stored + (moved * area - flow(pressure_of(stored)) * step) / 2
            out = flow(pressure_of(half)) * step
            stored += moved * area - out
            own.append(out)
        came.append(own)
    return came


# -- the eyes ---------------------------------------------------------------------------------------------


@dataclass
class Hurt:
    """What is wrong, by kind."""

    kinds: dict[str, list[str]] = field(default_factory=dict)

    def say(self, kind: str, way: Way, words: str) -> None:
        self.kinds.setdefault(kind, []).append(f"line {way.line}: {words}")

    def __str__(self) -> str:
        return "; ".join(f"{kind} ({len(all_of)}): {all_of[0]}" for kind, all_of in self.kinds.items())

    def __bool__(self) -> bool:
        return bool(self.kinds)


@dataclass(frozen=True, kw_only=True)
class Heap:
    """Paste that stands: on which board and pads, its path [mm, machine], half its width and its top [mm, machine]."""

    board: int
    pads: frozenset[int]
    path: Floats
    half: float
    top: float


def judged(
    text: str,
    scene: Scene,
    *,
    standing: Sequence[Heap] = (),
    wanted: Callable[[int, int], bool | None] = lambda _board, _pad: True,
) -> Hurt:
    """Follow a program and say what it hurts. `standing` is paste that was there before; `wanted` tells of a pad of a
    pasted board whether it is to be laid, None where either may be.
    """
    hurt, _ = followed(text, scene, standing=standing, wanted=wanted)
    return hurt


def followed(
    text: str,
    scene: Scene,
    *,
    standing: Sequence[Heap] = (),
    wanted: Callable[[int, int], bool | None] = lambda _board, _pad: True,
) -> tuple[Hurt, list[Heap]]:
    """What a program hurts, and the paste that stands after it; see `judged`."""
    hurt = Hurt()
    ways = ways_of(text, scene.bench)
    if not ways:
        hurt.say(
            "nothing", Way(line=0, start=(0, 0, 0), end=(0, 0, 0), push_from=0, push_to=0, seconds=0), "moves"
        )
        return hurt, list(standing)
    _limits(ways, scene, hurt)
    books = Books(
        heaps=list(standing),
        laid={
            (number, index): 0.0
            for number, board in enumerate(scene.boards)
            if board.pasted
            for index in range(len(scene.pads))
        }
        | {(ON_CARD, index): 0.0 for index in range(len(scene.dots))},
    )
    _paste_and_tip(ways, squeezed(ways, scene.bench), scene, hurt, books)
    _doses(ways[-1], books.laid, scene, hurt, wanted)
    return hurt, books.heaps


def _limits(ways: list[Way], scene: Scene, hurt: Hurt) -> None:
    machine, drive = scene.bench["machine"], scene.bench["plunger"]
    area = pi / 4 * scene.bench["barrel"]["bore_mm"] ** 2
    first = ways[0]
    if (
        first.end[0] != inf
        or first.end[1] != inf
        or first.end[2] < scene.tops() + scene.bench["bed"]["clearance_mm"] - 0.01
    ):
        hurt.say("first", first, f"goes to {first.end} before all else")
    for way in ways:
        for axis, low, high in (
            ("X", "x_min_mm", "x_max_mm"),
            ("Y", "y_min_mm", "y_max_mm"),
            ("Z", "z_min_mm", "z_max_mm"),
        ):
            at = way.end["XYZ".index(axis)]
            if at != inf and not machine.get(low, 0.0) - 0.002 <= at <= machine[high] + 0.002:
                hurt.say("travel", way, f"{axis} to {at}")
        if way.seconds > 0 and inf not in (*way.start, *way.end):
            speeds = [abs(b - a) / way.seconds for a, b in zip(way.start, way.end, strict=True)]
            if (
                max(speeds[:2]) > machine["speed_xy_mm_s"] * 1.02
                or speeds[2] > machine["speed_z_mm_s"] * 1.02
            ):
                hurt.say("speed", way, f"axes at {speeds}")
            push = abs(way.push_to - way.push_from) / way.seconds
            if push > drive["speed_mm_s"] * 1.02 + 1e-4:
                hurt.say("speed", way, f"the plunger at {push}")
    places = [way.push_to for way in ways] + [0.0]
    if (
        max(places) - min(places) > drive["stroke_mm"]
        or max(places) * area > scene.bench["barrel"]["fill_ml"] * 1000
    ):
        hurt.say("stroke", ways[-1], f"the plunger from {min(places)} to {max(places)}")
    if ways[-1].end[2] < scene.bed_z + scene.bench["bed"]["clearance_mm"] - 0.01:
        hurt.say("end", ways[-1], f"ends at {ways[-1].end}")


@dataclass
class Books:
    """What stands, what each pad got, and the visit that goes on: ways low over a place of work, as looked at."""

    heaps: list[Heap]
    laid: dict[tuple[int, int], float]
    visit: list[tuple[Way, Floats, float]] = field(default_factory=list)
    raised_ul: float = 0.0


def _paste_and_tip(ways: list[Way], came: list[list[float]], scene: Scene, hurt: Hurt, books: Books) -> None:
    bench = scene.bench
    clear = scene.tops() + bench["bed"]["clearance_mm"]
    smallest = (
        min(pad.width * pad.height for pad in scene.pads if pad.pasted) * bench["dose"]["foil_mm"] * 0.5
    )
    for way, outs in zip(ways, came, strict=True):
        if inf in way.end:
            if way.end[2] < clear - ROUND_MM or way.push_to != way.push_from:
                hurt.say("blind", way, f"works at {way.end}, wherever that is")
            continue
        start = tuple(a if a != inf else b for a, b in zip(way.start, way.end, strict=True))
        across = hypot(way.end[0] - start[0], way.end[1] - start[1])
        share = np.linspace(0, 1, max(ceil(max(across, abs(way.end[2] - start[2])) / LOOK_MM), 1) + 1)[
            :, None
        ]
        points = np.array(start) + share * (np.array(way.end) - np.array(start))
        where, ground = _over(points, scene)
        _zones(way, points, scene, hurt)
        gap = points[:, 2] - ground
        if (gap < -ROUND_MM).any():
            hurt.say(
                "crash", way, f"Z {points[gap.argmin(), 2]:.3f} over ground at {ground[gap.argmin()]:.3f}"
            )
        low = bool((points[:, 2] < clear - ROUND_MM).any())
        working_gap = 1.05 if _on_card(points, scene) else bench["tip"]["bore_mm"] + 0.01
        if low and bool((gap < working_gap).all()):
            if gap.min() < LEAST_GAP_MM - ROUND_MM:
                hurt.say("ploughs", way, f"{gap.min():.3f} mm above the board")
            books.visit.append((way, points, sum(outs)))
            continue
        _end_visit(books, scene, hurt)
        if across > 0.02 and low:
            _hop(way, points, where, ground, books.heaps, scene, hurt)
        if across > 0.02 or way.end[2] < start[2]:
            books.raised_ul += sum(outs)
            if books.raised_ul > RAISED_SHARE * smallest + 2e-4:
                hurt.say("drips", way, f"{books.raised_ul:.4f} µL on the way")
                books.raised_ul = 0.0
    if books.visit:
        hurt.say("end", ways[-1], "ends with the tip down")


def _end_visit(books: Books, scene: Scene, hurt: Hurt) -> None:
    """Where a visit's paste went, and whether the tip was in anything else's."""
    visit, books.visit, books.raised_ul = books.visit, [], books.raised_ul if not books.visit else 0.0
    if not visit:
        return
    points = np.concatenate([each for _, each, _ in visit])
    if _on_card(points, scene):
        return
    volume = sum(out for _, _, out in visit)
    place = _place_of(points, scene)
    if place is None:
        spread = points[:, :2].max(axis=0) - points[:, :2].min(axis=0)
        hurt.say("astray", visit[0][0], f"{volume:.4f} µL low over {spread} mm at {points[0]}")
        return
    number, pads = place
    outer = scene.bench["tip"]["outer_mm"] / 2
    for heap in books.heaps:
        if heap.board == number and heap.pads & pads:
            continue
        near = _near(points, heap)
        if ((near < heap.half + outer - 0.02) & (points[:, 2] < heap.top - 0.02)).any():
            deep_mm, above_mm = heap.half + outer - near.min(), heap.top - points[:, 2].min()
            hurt.say(
                "smears", visit[0][0], f"{deep_mm:.3f} mm into paste that stands {above_mm:.3f} mm above it"
            )
    if volume <= 0:
        return
    for index in pads:
        books.laid[number, index] += volume / len(pads)
    path = np.array(
        [
            visit[0][1][0, :2],
            *(each[-1, :2] for _, each, _ in visit if np.hypot(*(each[-1, :2] - each[0, :2])) > 0.02),
        ]
    )
    tuning = scene.bench["tuning"]
    length = float(np.hypot(*np.diff(path, axis=0).T).sum()) if len(path) > 1 else 0.0
    if length > 0.02:
        ratio = tuning["bead_shape_ratio"]
        width = sqrt(volume / length / (pi / 4 * ratio))
    else:
        ratio = tuning["dot_shape_ratio"]
        width = (volume * 6 / pi / ratio / (0.75 + ratio**2)) ** (1 / 3)
    ground = scene.bed_z if number == ON_CARD else scene.boards[number].heights(path, scene.size).max()
    books.heaps.append(
        Heap(board=number, pads=pads, path=path, half=width / 2, top=float(ground + ratio * width))
    )


def _over(points: Floats, scene: Scene) -> tuple[NDArray[np.int64], Floats]:
    """Which board lies under each point (−1: none), and how high it is there."""
    where = np.full(len(points), -1)
    ground = np.full(len(points), scene.bed_z)
    for number, board in enumerate(scene.boards):
        own = board.back(points[:, :2])
        inside = ((own >= 0) & (own <= np.array(scene.size))).all(axis=1)
        where[inside] = number
        ground[inside] = board.heights(points[inside, :2], scene.size) if inside.any() else 0.0
    return where, ground


def _zones(way: Way, points: Floats, scene: Scene, hurt: Hurt) -> None:
    for board in scene.boards:
        own = board.back(points[:, :2])
        for zone in scene.zones:
            inside = ((own > np.array(zone.low) + ROUND_MM) & (own < np.array(zone.high) - ROUND_MM)).all(
                axis=1
            )
            if not inside.any():
                continue
            corners = np.array(
                [zone.low, zone.high, (zone.low[0], zone.high[1]), (zone.high[0], zone.low[1])]
            )
            top = board.heights(corners @ board.matrix.T + board.shift, scene.size).max() + zone.tall
            if points[inside, 2].min() < top - ROUND_MM:
                hurt.say("zone", way, f"at Z {points[inside, 2].min():.2f}, its top at {top:.2f}")


def _on_card(points: Floats, scene: Scene) -> bool:
    """Whether the tip is on the card: on a settling strip, or at one place in line with one, off all boards, where the first
    of a new size is thrown away in the middle of a board (docs/plunger.md).
    """
    bed = scene.bench["bed"]
    x = points[:, 0]
    on_strip = (
        x.min() > bed["strip_x_mm"] - 0.3 and x.max() < bed["strip_x_mm"] + bed["strip_length_mm"] + 0.3
    )
    lines = [bed["strip_y_mm"] + number * scene.strip_step for number in range(scene.strips)]
    in_line = any(bool((np.abs(points[:, 1] - line) < 0.3).all()) for line in lines)
    where, _ = _over(points, scene)
    return in_line and bool(on_strip or (np.ptp(x) < 0.3 and (where < 0).all()))


def _place_of(points: Floats, scene: Scene) -> tuple[int, frozenset[int]] | None:
    """The board and the pads where the tip works; None where nothing is to be laid."""
    where, _ = _over(points, scene)
    number = int(where[0])
    for index, (x, y, _) in enumerate(scene.dots):
        if (np.hypot(points[:, 0] - x, points[:, 1] - y) < DOT_MM).all():
            return ON_CARD, frozenset([index])
    if number < 0 or (where != number).any() or not scene.boards[number].pasted:
        return None
    own = scene.boards[number].back(points[:, :2])
    for index, pad in enumerate(scene.pads):
        if pad.pasted and pad.holds(own, PAD_MARGIN_MM).all():
            return number, frozenset([index])
    for row in {pad.row for pad in scene.pads if pad.row and pad.pasted}:
        mine = [
            (index, pad)
            for index, pad in enumerate(scene.pads)
            if pad.row == row and pad.holds(own, PAD_MARGIN_MM).any()
        ]
        if not mine:
            continue
        low = np.array([min(p.x - p.width / 2 for _, p in mine), min(p.y - p.height / 2 for _, p in mine)])
        high = np.array([max(p.x + p.width / 2 for _, p in mine), max(p.y + p.height / 2 for _, p in mine)])
        if ((own > low - ROW_MARGIN_MM) & (own < high + ROW_MARGIN_MM)).all():
            return number, frozenset(index for index, _ in mine)
    return None


def _near(points: Floats, heap: Heap) -> Floats:
    """How far points are from the middle line of a heap [mm]."""
    if len(heap.path) == 1:
        return np.asarray(np.hypot(*(points[:, :2] - heap.path[0]).T))
    best = np.full(len(points), inf)
    for a, b in zip(heap.path[:-1], heap.path[1:], strict=True):
        along = b - a
        share = np.clip((points[:, :2] - a) @ along / max(float(along @ along), 1e-12), 0, 1)[:, None]
        best = np.minimum(best, np.hypot(*(points[:, :2] - a - share * along).T))
    return best


def _hop(
    way: Way, points: Floats, where, ground: Floats, heaps: list[Heap], scene: Scene, hurt: Hurt
) -> None:
    bench = scene.bench
    outer = bench["tip"]["outer_mm"] / 2
    number = int(where[0])
    if number < 0 or (where != number).any():
        hurt.say("dragged", way, f"low at Z {points[:, 2].min():.3f} off the boards, at {points[-1]}")
        return
    own = scene.boards[number].back(points[:, :2])
    if (own < EDGE_MM).any() or (own > np.array(scene.size) - EDGE_MM).any():
        hurt.say("dragged", way, f"low at Z {points[:, 2].min():.3f} at the edge, {points[-1]}")
    for pad in scene.pads:
        if not pad.pasted and pad.holds(own, outer * 0.7).any():
            hurt.say(
                "dragged",
                way,
                f"low at Z {points[:, 2].min():.3f} over a pad without paste at ({pad.x:.2f}, {pad.y:.2f})",
            )
    for x, y in scene.marks:
        if (np.hypot(own[:, 0] - x, own[:, 1] - y) < 0.5 + outer * 0.7).any():
            hurt.say("dragged", way, f"low at Z {points[:, 2].min():.3f} over a fiducial")
    for zone in scene.zones:
        if (
            ((own > np.array(zone.low) - outer * 0.7) & (own < np.array(zone.high) + outer * 0.7))
            .all(axis=1)
            .any()
        ):
            hurt.say("dragged", way, f"low at Z {points[:, 2].min():.3f} over a zone")
    if dist(way.start[:2], way.end[:2]) > 30.01:
        hurt.say("dragged", way, "low over a long way")
    if (points[:, 2] - ground).min() < 0.15:
        hurt.say("dragged", way, f"{(points[:, 2] - ground).min():.3f} mm above the board")
    for heap in heaps:
        reached = _near(points, heap) < heap.half + outer - 0.02
        if reached.any() and points[reached, 2].min() < heap.top + 0.12:
            hurt.say("smears", way, f"hops {points[reached, 2].min() - heap.top:.3f} mm above standing paste")


def _doses(last: Way, laid: dict[tuple[int, int], float], scene: Scene, hurt: Hurt, wanted) -> None:
    """Every pad gets about what a stencil would give it: between a fifth and 1.7 times its area times the foil."""
    for (number, index), volume in laid.items():
        if number == ON_CARD:
            asked = scene.dots[index][2]
            if not 0.2 * asked < volume < 1.7 * asked:
                hurt.say("dose", last, f"dot {index} of the card gets {volume:.4f} of {asked:.4f} µL")
            continue
        if wanted(number, index) is not True:
            if volume > 0 and wanted(number, index) is False:
                hurt.say("astray", last, f"pad {index} of board {number} was laid before")
            continue
        pad = scene.pads[index]
        full = pad.width * pad.height * scene.bench["dose"]["foil_mm"]
        deep = max((_into(pad, zone) for zone in scene.zones), default=-inf)
        if not pad.pasted or deep > TOUCH_MM:
            if volume > 0:
                hurt.say("astray", last, f"pad {index} of board {number} was to stay bare")
        elif deep < -TOUCH_MM and not 0.2 * full < volume < 1.7 * full:
            words = f"pad {index} of board {number} at ({pad.x:.2f}, {pad.y:.2f}) gets {volume:.4f} of {full:.4f} µL"
            hurt.say("dose", last, words)


def _into(pad: Pad, zone: Zone) -> float:
    """How far a pad reaches into a zone [mm], below zero where it stays off; one that touches may be either."""
    return min(
        min(pad.x + pad.width / 2, zone.high[0]) - max(pad.x - pad.width / 2, zone.low[0]),
        min(pad.y + pad.height / 2, zone.high[1]) - max(pad.y - pad.height / 2, zone.low[1]),
    )
