"""What a controller that runs through corners makes of a program: time and volumes, on the pretend controllers.

    python bench/look_ahead.py

The demo board's top of every example bench goes through the pretend controller of its dialect twice, with a stop at the
end of every move and with look-ahead; its axes are watched every millisecond, and the barrel of `tests/helpers`, written
apart from the planner, follows what the plunger really did. docs/machine-time.md tells the numbers.
"""

import sys
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
from aims import Aims

import pastewright as pw
from pastewright.demo.board import write_demo
from pastewright.link.bench import plunger_units_per_mm
from pastewright.motion.model import Step
from pastewright.profile.examples import example_names, example_text
from pastewright.profile.model import DialectName, Profile
from pastewright.profile.read import parse_profile
from pastewright.virtual import Manners, VirtualController
from pastewright.virtual.state import AxisLimit

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "helpers"))
from virtual_bench import Barrel, truth_of

STEP_S = 0.001
# As small CNC controllers come ($11; from memory), and five times as much.
JUNCTIONS_MM = (0.01, 0.05)
CANNOT = "bench-coarse"  # its microsteps are most of the smallest dose
LINES_AHEAD = 4  # taken and not yet answered
MOST_OFF = 1.0  # per cent that look-ahead may move a deposit by


def manners_of(profile: Profile, junction_mm: float | None) -> Manners:
    """The bench's own axes."""
    machine, drive = profile.machine, profile.plunger
    units = abs(plunger_units_per_mm(profile))
    level = AxisLimit(speed_mm_s=machine.speed_xy_mm_s, accel_mm_s2=machine.accel_xy_mm_s2)
    lift = AxisLimit(speed_mm_s=machine.speed_z_mm_s, accel_mm_s2=machine.accel_z_mm_s2)
    plunger = AxisLimit(speed_mm_s=drive.speed_mm_s * units, accel_mm_s2=drive.accel_mm_s2 * units)
    return Manners(
        limits={**Manners().limits, "X": level, "Y": level, "Z": lift, drive.letter: plunger},
        junction_mm=junction_mm,
    )


def watched(plan: pw.Plan, junction_mm: float | None) -> np.ndarray:
    """Return Z and plunger [mm, from the program's start, forward positive] every millisecond, as long as all took."""
    profile = plan.profile
    protocol = "reprap" if profile.controller.dialect is DialectName.REPRAP else "cnc"
    controller = VirtualController(protocol, scale=1.0, manners=manners_of(profile, junction_mm))
    lines = [line for line in plan.program.text.splitlines() if line and not line.startswith(";")]
    if protocol == "cnc":
        lines = ["$X", *(line for line in lines if line != "%" and not line.startswith("("))]
    sent = unanswered = 0
    rows: list[tuple[float, float]] = []
    now_s = 0.0
    while True:
        said = controller.take(now_s)
        while True:
            unanswered -= said.count(b"ok")
            if b"rror" in said:
                raise RuntimeError(f"after {lines[:sent][-1]}: {said.decode()}")
            if sent == len(lines) or unanswered >= LINES_AHEAD:
                break
            controller.feed(lines[sent].encode() + b"\n", now_s)
            sent, unanswered = sent + 1, unanswered + 1
            said = controller.take(now_s)
        state = controller.state
        rows.append((state.axes_mm[2], state.plunger / plunger_units_per_mm(profile)))
        if sent == len(lines) and unanswered <= 0 and not state.queued_moves:
            return np.array(rows)
        now_s += STEP_S


def laid_ul(plan: pw.Plan, rows: np.ndarray) -> np.ndarray:
    """Return what came out up to the end of each visit, in their order [µL]; the strip before them is left out."""
    steps = [move for move in plan.motions.moves if move.deposit is not None]
    lowest = max(move.z_mm for move in steps if move.step is Step.LAY or move.step is Step.PUSH)
    highest = min(move.z_mm for move in steps if move.step is Step.TRAVEL)
    parted_mm = (lowest + highest) / 2
    barrel = Barrel(truth_of(plan.profile, start_kpa=0.5 * plan.bench.rest_kpa))
    found, came, down = [], 0.0, False
    first_up = int(np.argmax(rows[:, 0] > parted_mm))  # it is switched on at 0
    for (_, before), (z, after) in pairwise(rows[first_up:].tolist()):
        way = abs(after - before)
        forth, back = barrel.move(before, after, STEP_S, (way, way / STEP_S, 1e9))
        came += forth - back
        if z > parted_mm and down:
            found.append(came)
            came = 0.0
        elif z <= parted_mm and not (down or found):
            came = 0.0  # the strip's
        down = z <= parted_mm
    visits = len(plan.tour.visits)
    if len(found) not in (visits, visits + 1):  # the strip may be low enough to count
        raise RuntimeError(f"the tip came down {len(found)} times for {visits} deposits")
    return np.array(found[-visits:])


def main() -> None:
    """Print the table."""
    aims = Aims()
    print("| bench | junction mm | s | stops, s | moved by it, 95 % | most |")
    print("|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        write_demo(Path(folder))
        for name in example_names():
            if name == CANNOT:
                continue
            profile = parse_profile(example_text(name), name)
            plan = pw.make_plan(pw.read_board(folder, side=pw.Side.TOP), profile)
            rows = watched(plan, None)
            stopped, stops_s = laid_ul(plan, rows), len(rows) * STEP_S
            for junction_mm in JUNCTIONS_MM:
                rows = watched(plan, junction_mm)
                off = 100 * np.abs(laid_ul(plan, rows) / stopped - 1)
                within, most = np.percentile(off, [95, 100])
                print(
                    f"| {name} | {junction_mm} | {len(rows) * STEP_S:.1f} | {stops_s:.1f} "
                    f"| {within:.2f} % | {most:.2f} % |",
                    flush=True,
                )
                aims.under(f"{name}, junction {junction_mm} mm: most", most, MOST_OFF, "%")
    aims.tell()


if __name__ == "__main__":
    main()
