"""Whole commands as a person runs them, from start to files on disk: wall and processor time, and what imports take of it.

The best of several counts. Bytecode and compiled loops are there (the first row of all is thrown away); with
PYTHONDONTWRITEBYTECODE set nothing changes once an install has compiled them.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from aims import Aims  # noqa: E402
from rendered_photos import Scene, jpeg_bytes, render  # noqa: E402

from pastewright.tune.sheet.model import read_sheet  # noqa: E402

RUNS = 4
PHOTO_PX = (4000, 3000)  # 12 megapixels, what phones give
PASTEWRIGHT = Path(sys.executable).with_name("pastewright")


def main() -> int:
    """Print the table; exit code 1 only where a command failed."""
    aims, failed = Aims(), False
    print(f"{'command':<34}{'wall s':>8}{'cpu s':>8}{'imports s':>11}{'aim s':>7}")
    with tempfile.TemporaryDirectory() as folder:
        at = Path(folder)
        run([str(PASTEWRIGHT), "demo", "--out", str(at)], at)
        board, bench, top = str(at / "greenhouse-logger"), str(at / "bench.toml"), at / "top"
        rows: list[tuple[str, list[str], float, set[int]]] = [
            ("--help", ["--help"], 0.3, {0}),
            ("a wrong option", ["plan", "--tipp", "27"], 0.3, {2}),
            ("a board that is not there", ["plan", "nowhere.zip"], 0.3, {2}),
            ("look", ["look", board], 1.0, {0}),
            ("plan", ["plan", board, "--profile", bench, "--out", str(at / "out")], 1.5, {0, 1}),
            (
                "verify",
                ["verify", str(top / "program.gcode"), "--plan", str(top / "plan.json"), "--profile", bench],
                1.0,
                {0, 1},
            ),
            ("tune sheet", ["tune", "sheet", "--profile", bench, "--out", str(at / "sheet")], 10.0, {0}),
            (
                "tune read",
                ["tune", "read", str(at / "sheet" / "sheet.json"), str(at / "photo.jpg")],
                3.0,
                {0},
            ),
            ("tune fit", ["tune", "fit", str(at / "sheet"), "--profile", bench, "--no-write"], 6.0, {0}),
            ("locate, a typing error", ["locate", "nowhere.png", "--scale", "a"], 0.3, {2}),
        ]
        for name, words, aim_s, good in rows:
            if name == "tune read":
                draw_photo(at)
            times = [run([str(PASTEWRIGHT), *words], at) for _ in range(1 if aim_s > 5 else RUNS)]
            wall_s, cpu_s, code = min(times)
            print(
                f"{name:<34}{wall_s:>8.2f}{cpu_s:>8.2f}{imports_s(words, at):>11.2f}{aim_s:>7.1f}", flush=True
            )
            if code not in good:
                print(f"  ended with {code}")
                failed = True
            aims.under(name, wall_s, aim_s, "s")
    aims.tell()
    return 1 if failed else 0


def draw_photo(at: Path) -> None:
    """Draw a photo of the sheet as it comes out where the bench is as profiled."""
    width, height = PHOTO_PX
    picture, _ = render(
        Scene(sheet=read_sheet(at / "sheet" / "sheet.json"), width_px=width, height_px=height)
    )
    (at / "photo.jpg").write_bytes(jpeg_bytes(picture, 92))


def run(words: list[str], folder: Path) -> tuple[float, float, int]:
    """Return wall and processor time [s] and the exit code of a command."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    code = subprocess.run(words, capture_output=True, cwd=folder, check=False).returncode
    wall_s = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, code


def imports_s(words: list[str], folder: Path) -> float:
    """Return the seconds that a command spends in its own imports, as Python counts them (it counts a little long)."""
    told = subprocess.run(
        [sys.executable, "-X", "importtime", str(PASTEWRIGHT), *words],
        capture_output=True,
        text=True,
        cwd=folder,
        env={**os.environ, "COLUMNS": "100"},
        check=False,
    ).stderr
    rows = [line.split("|") for line in told.splitlines() if line.startswith("import time:")]
    return sum(int(row[0].split(":")[1]) for row in rows if row[0].split(":")[1].strip().isdigit()) / 1e6


if __name__ == "__main__":
    sys.exit(main())
