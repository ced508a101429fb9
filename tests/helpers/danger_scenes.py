"""Random benches, boards and ways to lie, planned by pastewright; and the same as plain numbers for `danger_judge`.

A board is drawn on a grid: chips, a row of fine pitch, a large land, pads that get no paste, fiducials, zones. It lies in
the bed's corner, or turned and tilted and bowed, or with others on a tray, some of them skipped.
"""

import random
from dataclasses import dataclass, replace
from math import cos, radians, sin
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from danger_judge import Lying, Pad, Scene, Zone

from pastewright.board.ask import Ask
from pastewright.board.model import Board, Side
from pastewright.board.read import read_board
from pastewright.job.read import parse_job
from pastewright.place.surface import Mesh, Surface, flat
from pastewright.place.transform import Affine, Neighbour, Placement, Placements, PlaceStep
from pastewright.plan.pipeline import Plan, judged, make_plan, prepare
from pastewright.plan.tray import decide_tray
from pastewright.profile.read import parse_profile

KINDS = ("reprap-e", "reprap-ul", "ngc-u", "ngc-a", "ngc-b")


def _spread(rng: random.Random, value: float, by: float = 1.25) -> float:
    return round(value * by ** rng.uniform(-1, 1), 4)


def bench_of(rng: random.Random, kind: str) -> dict[str, dict[str, Any]]:
    """A profile as its file has it: every number that the judge asks for is said."""
    reprap = kind.startswith("reprap")
    barrel = rng.choice(
        [(9.7, 3.0, 2.2), (12.7, 5.0, 3.5), (4.7, 1.0, 0.8)] if kind != "ngc-b" else [(14.4, 10.0, 6.0)]
    )
    bore = rng.choice([0.21, 0.26]) if kind != "ngc-b" else 0.33
    board_z = {"reprap-e": 20.0, "reprap-ul": 12.5, "ngc-u": 1.6, "ngc-a": -62.3, "ngc-b": 3.2}[kind]
    bench: dict[str, dict[str, Any]] = {
        "machine": {
            "x_min_mm": -10.0, "x_max_mm": 260.0, "y_min_mm": -10.0, "y_max_mm": 260.0,
            "z_min_mm": board_z - 4, "z_max_mm": board_z + rng.choice([12.0, 40.0]),
            "speed_xy_mm_s": _spread(rng, 110), "speed_z_mm_s": _spread(rng, 16),
            "accel_xy_mm_s2": _spread(rng, 900), "accel_z_mm_s2": _spread(rng, 180),
        },
        "bed": {
            "board_x_mm": 60.0, "board_y_mm": 70.0, "board_z_mm": board_z,
            "clearance_mm": round(rng.uniform(1.5, 4.0), 2),
            "strip_x_mm": 60.0, "strip_y_mm": 20.0, "strip_length_mm": rng.choice([20.0, 30.0]),
            "park_x_mm": 10.0, "park_y_mm": 240.0,
        },
        "controller": {"dialect": "reprap" if reprap else "ngc"},
        "plunger": {
            "letter": "E", "unit": "mm", "sign": rng.choice([1, -1]), "lead_mm": 0.8, "pitch_diameter_mm": 4.48,
            "half_angle_deg": 30, "gear": 13.73, "microsteps": 16, "speed_mm_s": _spread(rng, 0.6),
            "accel_mm_s2": _spread(rng, 8), "torque_nm": 0.4, "stroke_mm": 55.0,
            "backlash_mm": round(rng.uniform(0.005, 0.04), 3), "frame_stiffness_n_mm": _spread(rng, 350, 1.6),
        },
        "barrel": {"bore_mm": barrel[0], "capacity_ml": barrel[1], "fill_ml": barrel[2], "limit_kpa": 700},
        "tip": {"bore_mm": bore, "outer_mm": round(bore + 0.2, 3), "length_mm": 6.35},
        "paste": {
            "alloy": "Sn42Bi57Ag1", "metal_wt_percent": 85, "powder_type": 5, "yield_stress_pa": _spread(rng, 200),
            "consistency_pa_sn": _spread(rng, 150), "flow_index": round(rng.uniform(0.38, 0.45), 3),
            "bulk_modulus_mpa": 1000,
        },
        "tuning": {
            "bubble_ul": round(rng.uniform(0.2, 1.5), 2), "dot_shape_ratio": 0.4, "bead_shape_ratio": 0.4,
            "bead_mm_s": _spread(rng, 4),
        },
        "dose": {"foil_mm": rng.choice([0.10, 0.12, 0.15])},
    }  # fmt: skip
    plunger, controller = bench["plunger"], bench["controller"]
    if kind == "reprap-e":
        controller |= {"plunger_mode": rng.choice(["relative", "absolute"])}
    elif kind == "reprap-ul":
        controller |= {"plunger_mode": "absolute", "line_numbers": True, "checksums": True}
        plunger |= {"letter": "A", "unit": "ul"}
    elif kind == "ngc-u":
        controller |= {
            "plunger_mode": "absolute",
            "bead_feed": "inverse-time",
            "line_numbers": True,
            "decimals": 4,
        }
        plunger |= {"letter": "U", "unit": "mm"}
    elif kind == "ngc-a":
        controller |= {"plunger_mode": "absolute", "bead_feed": "path", "decimals": 4}
        plunger |= {"letter": "A", "unit": "deg", "lead_mm": 1.0, "pitch_diameter_mm": 5.35, "gear": 10}
    else:
        controller |= {"plunger_mode": "absolute", "bead_feed": "path"}
        plunger |= {
            "letter": "B",
            "unit": "turn",
            "lead_mm": 1.25,
            "pitch_diameter_mm": 7.19,
            "gear": 50,
            "speed_mm_s": 0.15,
        }
        bench["tip"]["length_mm"] = 12.7
    return bench


def toml_of(bench: dict) -> str:
    """The text of a profile."""

    def value(one: object) -> str:
        return f'"{one}"' if isinstance(one, str) else str(one).lower()

    return 'name = "bench"\n' + "\n".join(
        f"[{section}]\n" + "".join(f"{key} = {value(one)}\n" for key, one in keys.items())
        for section, keys in bench.items()
    )


def pads_of(rng: random.Random, size: tuple[float, float]) -> tuple[Pad, ...]:
    """Pads on a grid of cells, seen from the pasted side, [mm, board]."""
    pads: list[Pad] = []
    columns, lines = int(size[0] // 6) - 1, int(size[1] // 6) - 1
    cells = [(6.0 * (i + 1), 6.0 * (j + 1)) for i in range(columns) for j in range(lines)]
    rng.shuffle(cells)
    for number, (x, y) in enumerate(cells):
        what = (
            "row"
            if number == 0
            else "land"
            if number == 1
            else rng.choice(["chip", "chip", "chip", "bare", "none"])
        )
        if what == "row":
            pitch = rng.choice([0.5, 0.65, 0.8])
            upright = rng.random() < 0.5
            for k in range(5):
                way = (k - 2) * pitch
                at, box = (
                    ((x + way, y), (0.5 * pitch, 1.5)) if upright else ((x, y + way), (1.5, 0.5 * pitch))
                )
                pads.append(Pad(x=at[0], y=at[1], width=box[0], height=box[1], pasted=True, row="row"))
        elif what == "land":
            side = round(rng.uniform(1.4, 2.6), 2)
            pads.append(Pad(x=x, y=y, width=side, height=round(side * rng.uniform(0.6, 1), 2), pasted=True))
        elif what == "chip":
            apart, wide, high = rng.choice([(1.0, 0.5, 0.6), (1.6, 0.8, 0.9), (2.2, 1.0, 1.3)])
            across = rng.random() < 0.5
            for sign in (-0.5, 0.5):
                at = (x + sign * apart, y) if across else (x, y + sign * apart)
                box = (wide, high) if across else (high, wide)
                pads.append(Pad(x=at[0], y=at[1], width=box[0], height=box[1], pasted=True))
        elif what == "bare":
            pads.append(Pad(x=x, y=y, width=1.5, height=1.5, pasted=False))
    return tuple(pads)


def _gerber(function: str, body: str) -> str:
    return f"%TF.FileFunction,{function}*%\n%TF.FilePolarity,Positive*%\n%FSLAX46Y46*%\n%MOMM*%\n{body}M02*\n"


def write_board(folder: Path, size: tuple[float, float], pads: tuple[Pad, ...], marks, side: Side) -> None:
    """The files of a board. Its bottom is seen through the board: x runs the other way."""

    def at(x: float, y: float) -> str:
        return f"X{round((size[0] - x if side is Side.BOTTOM else x) * 1e6)}Y{round(y * 1e6)}"

    corners = [(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1]), (0.0, 0.0)]
    path = "".join(f"{at(x, y)}D0{2 if k == 0 else 1}*\n" for k, (x, y) in enumerate(corners))
    word, layer = ("Bot", 2) if side is Side.BOTTOM else ("Top", 1)
    (folder / "b-outline.gbr").write_text(_gerber("Profile,NP", f"%ADD10C,0.1*%\nD10*\nG01*\n{path}"))
    copper, paste = "%TA.AperFunction,SMDPad,CuDef*%\n", ""
    flashes, openings = "", ""
    for code, pad in enumerate(pads, start=10):
        shape = f"%ADD{code}R,{pad.width:.4f}X{pad.height:.4f}*%\n"
        copper, flashes = copper + shape, f"{flashes}D{code}*\n{at(pad.x, pad.y)}D03*\n"
        if pad.pasted:
            paste, openings = paste + shape, f"{openings}D{code}*\n{at(pad.x, pad.y)}D03*\n"
    copper += "%TD*%\n%TA.AperFunction,FiducialPad,Global*%\n%ADD9999C,1.0*%\n%TD*%\n"
    flashes += "D9999*\n" + "".join(f"{at(x, y)}D03*\n" for x, y in marks)
    (folder / f"b-{word}-copper.gbr").write_text(_gerber(f"Copper,L{layer},{word}", copper + flashes))
    (folder / f"b-{word}-paste.gbr").write_text(_gerber(f"Paste,{word}", paste + openings))


@dataclass(frozen=True, kw_only=True)
class Case:
    """Plans of one scene; each with what is true where its program runs."""

    plans: tuple[Plan, ...]
    scenes: tuple[Scene, ...]
    words: str


def mesh_of(lying: Lying, size: tuple[float, float]) -> Surface:
    """The surface as probing would tell it: plane and bow on a mesh of the machine's axes."""
    corners = np.array([(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1])]) @ lying.matrix.T + lying.shift
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    xs, ys = np.linspace(x0, x1, 25), np.linspace(y0, y1, 25)
    places = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    plane = lying.z + (places - lying.shift) @ np.array(lying.slope)
    dz = (lying.heights(places, size) - plane).reshape(25, 25)
    mesh = Mesh(x_mm=tuple(xs.tolist()), y_mm=tuple(ys.tolist()), dz_mm=tuple(map(tuple, dz.tolist())))
    return Surface(
        z_mm=lying.z,
        slope_x=lying.slope[0],
        slope_y=lying.slope[1],
        at_mm=tuple(lying.shift.tolist()),
        mesh=mesh,
    )


def lying_of(
    rng: random.Random, bench: dict, size: tuple[float, float], shift, *, turn_deg: float, level: bool
) -> Lying:
    turn = radians(turn_deg)
    matrix = np.array([[cos(turn), -sin(turn)], [sin(turn), cos(turn)]])
    corners = np.array([(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1])]) @ matrix.T
    z = bench["bed"]["board_z_mm"]
    if level:
        return Lying(matrix=matrix, shift=np.array(shift) - corners.min(axis=0), z=z)
    slope = (rng.uniform(-0.006, 0.006), rng.uniform(-0.006, 0.006))
    return Lying(
        matrix=matrix,
        shift=np.array(shift) - corners.min(axis=0),
        z=round(z + rng.uniform(-0.5, 2.5), 3),
        slope=slope,
        bow=rng.uniform(-0.2, 0.3),
    )


def _placement(name: str, one: Lying, size: tuple[float, float]) -> Placement:
    (a, b), (c, d) = one.matrix.tolist()
    where = Affine(xx=a, xy=b, yx=c, yy=d, x_mm=float(one.shift[0]), y_mm=float(one.shift[1]))
    surface = flat(one.z) if not one.bow and one.slope == (0.0, 0.0) else mesh_of(one, size)
    return Placement(name=name, steps=(PlaceStep(what="by hand", affine=where),), surface=surface)


def zones_among(rng: random.Random, size: tuple[float, float], bench: dict) -> tuple[Zone, ...]:
    zones = []
    for _ in range(rng.choice([0, 0, 1, 2])):
        x, y = rng.uniform(1, size[0] - 6), rng.uniform(1, size[1] - 6)
        tall = rng.choice([1.0, bench["bed"]["clearance_mm"] + rng.uniform(0.5, 4), float("inf")])
        low = (round(x, 2), round(y, 2))
        zones.append(
            Zone(
                low=low,
                high=(round(x + rng.uniform(2, 5), 2), round(y + rng.uniform(2, 5), 2)),
                tall=round(tall, 2),
            )
        )
    return tuple(zones)


def job_text(zones: tuple[Zone, ...]) -> str:
    text = ""
    for number, zone in enumerate(zones):
        text += f"[[zone]]\nname = 'z{number}'\nx_from_mm = {zone.low[0]}\nx_to_mm = {zone.high[0]}\n"
        text += f"y_from_mm = {zone.low[1]}\ny_to_mm = {zone.high[1]}\nmargin_mm = 0.5\n"
        text += "" if zone.tall == float("inf") else f"height_mm = {zone.tall}\n"
    return text


def read_side(size, pads, marks, side: Side) -> Board:
    with TemporaryDirectory() as folder:
        write_board(Path(folder), size, pads, marks, side)
        return read_board(Path(folder), Ask(side=side, name="greenhouse"))


def case_of(seed: int) -> Case:
    """The plans of a random scene; raises `InputError` where pastewright does not plan it."""
    rng = random.Random(seed)
    kind = KINDS[seed % len(KINDS)]
    bench = bench_of(rng, kind)
    profile = parse_profile(toml_of(bench), "bench.toml")
    size = (float(rng.randrange(20, 40)), float(rng.randrange(18, 34)))
    pads = pads_of(rng, size)
    marks = ((2.0, 2.0), (size[0] - 2.0, size[1] - 2.0))
    side = rng.choice([Side.TOP, Side.BOTTOM])
    board = read_side(size, pads, marks, side)
    zones = zones_among(rng, size, bench)
    job = parse_job(job_text(zones), "job.toml")
    way = rng.choice(["corner", "turned", "turned", "tray"])
    truth = Scene(bench=bench, size=size, pads=pads, marks=marks, zones=zones, boards=())
    words = f"seed {seed}: {kind}, {side} side, {way}, {len(pads)} pads, {len(zones)} zones"
    if way == "corner":
        there = lying_of(rng, bench, size, (60.0, 70.0), turn_deg=0.0, level=True)
        plan = make_plan(board, profile, job=job)
        return Case(plans=(plan,), scenes=(replace(truth, boards=(there,)),), words=words)
    if way == "turned":
        there = lying_of(
            rng,
            bench,
            size,
            (60 + rng.uniform(0, 40), 70 + rng.uniform(0, 40)),
            turn_deg=rng.uniform(-180, 180),
            level=rng.random() < 0.2,
        )
        plan = make_plan(
            board, profile, job=job, placements=Placements(boards=(_placement("", there, size),))
        )
        return Case(plans=(plan,), scenes=(replace(truth, boards=(there,)),), words=words)
    pitch = max(size) + rng.uniform(2, 8)
    lying = [
        lying_of(
            rng,
            bench,
            size,
            (60 + pitch * k, 75.0),
            turn_deg=rng.choice([0.0, 90.0, 180.0]),
            level=rng.random() < 0.4,
        )
        for k in range(3)
    ]
    skipped = rng.choice([None, 0, 1, 2])
    good = [k for k in range(3) if k != skipped]
    others: tuple[Neighbour, ...] = ()
    if skipped is not None:
        one = replace(
            lying[skipped], pasted=False, z=lying[good[0]].z if rng.random() < 0.5 else lying[skipped].z
        )
        lying[skipped] = one
        corners = np.array([(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1])]) @ one.matrix.T + one.shift
        top = float(
            one.heights(
                np.array([(x, y) for x in np.linspace(0, size[0], 9) for y in np.linspace(0, size[1], 9)])
                @ one.matrix.T
                + one.shift,
                size,
            ).max()
        )
        others = (
            Neighbour(name=str(skipped), corners_mm=tuple(map(tuple, corners.tolist())), highest_mm=top),
        )
    settle, each = rng.random() < 0.5, rng.random() < 0.4
    placements = Placements(
        boards=tuple(_placement(str(k), lying[k], size) for k in good),
        settle=settle,
        strip_step_mm=-2.0,
        neighbours=others,
    )
    decided = decide_tray(prepare(board, profile, job=job), placements, profile, each=each, job=job)
    scenes = []
    for decision in decided:
        mine = {int(place.name) for place in decision.placements.boards}
        boards = tuple(replace(there, pasted=k in mine) for k, there in enumerate(lying))
        scenes.append(replace(truth, boards=boards, strips=len(mine) if settle else 1, strip_step=-2.0))
    words += f", board {skipped} skipped, {len(decided)} programs"
    return Case(plans=tuple(judged(one) for one in decided), scenes=tuple(scenes), words=words)
