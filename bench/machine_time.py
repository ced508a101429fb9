"""Machine time of the demo board's top on every example bench, with what saves time off and on, in one run.

    python bench/machine_time.py

Off: every travel at full height, pushes at push_ul_s with the tip standing, retractions ended before the lift, a
settling strip that knows nothing of the backlash. docs/machine-time.md tells the numbers.
"""

import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np

import pastewright as pw
from pastewright.demo.board import write_demo
from pastewright.motion.bound import least_time_s
from pastewright.motion.model import Step
from pastewright.problems import InputError
from pastewright.profile.examples import example_names, example_text
from pastewright.profile.model import Profile

STEPS = (
    ("down", (Step.LOWER,)),
    ("push", (Step.PUSH,)),
    ("wait", (Step.DWELL,)),
    ("back", (Step.RETRACT,)),
    ("up", (Step.LIFT, Step.RAISE)),
    ("hop", (Step.TRAVEL,)),
    ("bead", (Step.LAY,)),
)


def plain(profile: Profile) -> Profile:
    """Return a bench with all of it off."""
    return replace(
        profile,
        bed=replace(profile.bed, hop_reach_mm=0.0),
        plunger=replace(profile.plunger, drawn_back=False),
        tuning=replace(profile.tuning, fastest_push=False, press_fraction=0.0, draw_yields=0.0),
    )


def row(words: str, board: pw.Board, profile: Profile) -> str:
    plan = pw.make_plan(board, profile)
    seconds: defaultdict[str, float] = defaultdict(float)
    for move in plan.motions.moves:
        if move.deposit is None:
            seconds["strip, park"] += move.duration_s
            continue
        seconds[next(name for name, steps in STEPS if move.step in steps)] += move.duration_s
    off = [
        (got.volume_ul if got is not None else 0.0) / deposit.volume_ul - 1
        for got, deposit in zip(plan.verdict.delivered, plan.layout.deposits, strict=True)
    ]
    off_95, off_most = np.percentile(np.abs(off), [95, 100])
    cells = [
        words,
        f"{plan.motions.machine_s:.1f}",
        f"{plan.motions.machine_s / least_time_s(plan.motions, plan.profile):.2f}",
        f"{plan.motions.strip_ul:.1f}",
        *(f"{seconds[name]:.1f}" for name in ("strip, park", *(name for name, _ in STEPS))),
        f"{off_95:.2%}",
        f"{off_most:.2%}",
        "yes" if plan.verdict.ok else "NO",
    ]
    return "| " + " | ".join(cells) + " |"


def main() -> None:
    names = ("strip, park", *(name for name, _ in STEPS))
    print("| bench | s | × bound | strip µL | " + " | ".join(names) + " | off 95 % | most | verified |")
    print("|---" * (7 + len(names)) + "|")
    with tempfile.TemporaryDirectory() as folder:
        files = Path(folder) / "greenhouse-logger"
        files.mkdir()
        write_demo(files, "x2")
        board = pw.read_board(files, side="top")
        for name in example_names():
            bench_file = Path(folder) / f"{name}.toml"
            bench_file.write_text(example_text(name), "utf-8")
            profile = pw.read_profile(bench_file)
            try:
                print(row(f"{name}, off", board, plain(profile)), flush=True)
                print(row(f"{name}, on", board, profile), flush=True)
            except InputError as error:
                print(f"| {name}: {error.problems[0].what} |", flush=True)


if __name__ == "__main__":
    main()
