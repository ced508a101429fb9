"""Seconds and memory of each stage, from Gerber files to a verified program, for boards of growing size.

Each size runs in a process of its own, so that peak memory is its own. The last columns compare with the size before:
time per deposit should stay about the same (n·log n grows by 1.6 from 500 to 20 000, by 1.2 from there to 100 000).
Stages are told in processor time, which a busy computer changes less, and so is their sum, "processor"; "job s" is what
a clock shows from files to files on disk. A second process takes its part of large boards: both are counted, where the
first one asks for what the second did; "MB" is the larger of the two. The panel is twenty demo boards in one outline:
parts of all kinds, holes and legends, 2 560 deposits.
"""

import json
import resource
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

from aims import Aims

PANEL = 0  # stands for the panel among the sizes
SIZES = (PANEL, 500, 5_000, 20_000, 100_000)
AIMS_S = {PANEL: 3.0, 500: 2.0, 20_000: 6.0, 100_000: 40.0}  # from files to verdict and report
AIM_MB = 1536.0  # a bench computer of 2 GB
BENCH = "bench-reprap-e"
ALL = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
PASTE_UL = 0.15  # a deposit of these boards takes 0.125 µL in the mean


# A tile's ten pads take seven deposits: its four fine leads share one bead.
PADS_PER_DEPOSIT = 10 / 7


def measure(deposits: int) -> dict[str, float]:
    """Run the job once on a board that takes about `deposits`, or on the panel; seconds by stage, peak memory [MB]."""
    start = time.perf_counter()
    from boards import write_field, write_panel

    from pastewright.board.ask import Ask
    from pastewright.board.model import Side
    from pastewright.board.read import read_board
    from pastewright.plan.pipeline import decide
    from pastewright.profile.examples import example_text
    from pastewright.profile.read import parse_profile
    from pastewright.report.results import judge_and_write

    imported = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        if deposits == PANEL:
            write_panel(Path(folder), 4, 5, step_mm=(54.0, 44.0))
        else:
            write_field(Path(folder), round(deposits * PADS_PER_DEPOSIT))
        # The bed of a made-up big machine: this measures the computer, not the gantry.
        text = example_text(BENCH)
        profile = big_bed(parse_profile(text, BENCH), paste_ul=max(5000.0, PASTE_UL * deposits))
        began = time.perf_counter()
        marks = [("read", processor_s())]
        board = read_board(Path(folder), Ask(side=Side.TOP))

        def mark(stage: str) -> None:
            marks.append((stage, processor_s()))

        decided = decide(board, profile, on_stage=mark)
        plan, _ = judge_and_write(decided, Path(folder) / "out", even_if_unverified=True, on_stage=mark)
    mark("end")
    ended = time.perf_counter()
    seconds = {name: after - at for (name, at), (_, after) in pairwise(marks)}
    return {
        "import": imported - start,
        **seconds,
        "processor": sum(seconds.values()),
        "job": ended - began,
        "verified": float(plan.verdict.ok),
        "findings": float(len(plan.verdict.findings)),
        "laid": float(len(plan.layout.deposits)),
        "memory_mb": max(resource.getrusage(who).ru_maxrss for who in ALL) / 1024,
    }


def processor_s() -> float:
    """Return the processor time of this process and of those that it began [s]."""
    used = [resource.getrusage(who) for who in ALL]
    return sum(one.ru_utime + one.ru_stime for one in used)


def big_bed(profile, *, paste_ul=5000.0):
    """The profile on axes long enough for any field, with a barrel that holds all the paste it takes [µL]."""
    from dataclasses import replace

    machine = replace(profile.machine, x_max_mm=5000.0, y_max_mm=5000.0)
    plunger = replace(profile.plunger, stroke_mm=1e5)
    barrel = replace(profile.barrel, capacity_ul=1.6 * paste_ul, fill_ul=paste_ul)
    return replace(profile, machine=machine, plunger=plunger, barrel=barrel)


def main() -> int:
    """Measure each size in its own process and print the table; exit code 1 only where something failed."""
    if len(sys.argv) > 1:
        print(json.dumps(measure(int(sys.argv[1]))))
        return 0
    rows = []
    for size in SIZES:
        run = subprocess.run(
            [sys.executable, __file__, str(size)], capture_output=True, text=True, check=False
        )
        if run.returncode:
            print(f"{size} deposits: failed\n{run.stderr}")
            continue
        rows.append((size, json.loads(run.stdout.splitlines()[-1])))
    if not rows:
        return 1
    stages = [name for name in rows[0][1] if name not in {"job", "verified", "findings", "laid", "memory_mb"}]
    print(
        f"{'asked':>8}{'laid':>8}"
        + "".join(f"{name:>10}" for name in stages)
        + f"{'job s':>9}{'MB':>7}{'µs/dep.':>9}{'ratio':>7}"
    )
    aims = Aims()
    before = 0.0
    for size, row in rows:
        job = row["job"]
        each = row["processor"] / row["laid"] * 1e6
        ratio = f"{each / before:7.2f}" if before else "      –"
        name = "panel" if size == PANEL else str(size)
        print(
            f"{name:>8}{row['laid']:>8.0f}"
            + "".join(f"{row[name]:>10.3f}" for name in stages)
            + f"{job:>9.2f}{row['memory_mb']:>7.0f}{each:>9.0f}{ratio}"
            + ("" if row["verified"] else f"  ({row['findings']:.0f} findings)")
        )
        before = each if size != PANEL else 0.0
        if size in AIMS_S:
            aims.under(f"{name} deposits" if size else name, job, AIMS_S[size], "s")
        aims.under(f"{name} deposits" if size else name, row["memory_mb"], AIM_MB, "MB")
    aims.tell()
    return 0 if len(rows) == len(SIZES) else 1


if __name__ == "__main__":
    sys.exit(main())
