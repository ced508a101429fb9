"""Seconds to read photos of a tuning sheet, by megapixels and ground, and where they go; the aim is for 12 megapixels.

The sheet is the demo bench's own, as it comes out where the bench is as profiled. Each photo is read from its JPEG
file's bytes, as `pastewright tune read` does; the best of three counts, and the last column compares with the smallest.
"""

import sys
import time
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from aims import Aims  # noqa: E402
from rendered_photos import Scene, jpeg_bytes, render  # noqa: E402
from tuning_trials import demo_bench  # noqa: E402

from pastewright.photo.file import photo_from_bytes  # noqa: E402
from pastewright.tune.photo.measure import measure_photo  # noqa: E402
from pastewright.tune.sheet.design import designed  # noqa: E402

AIM_S = 3.0  # a person waits
SIZES = ((2000, 1500), (4000, 3000), (5657, 4243))
JUDGED = (4000, 3000)  # what phones give
GROUNDS = ("white paper", "green mask")
RUNS = 3  # the best counts


def main() -> int:
    """Print the table."""
    sheet = designed(demo_bench(), tries=1).sheet
    scene = Scene(sheet=sheet, tilt_deg=12, azimuth_deg=70, clutter=12, dirt=6, hairs=2, size_noise=0.03)
    print(
        f"{'ground':>12}{'Mpx':>6}{'file MB':>9}{'open s':>8}{'read s':>8}{'s/Mpx':>7}{'dots':>6}{'ratio':>7}"
    )
    aims = Aims()
    for ground in GROUNDS:
        smallest = 0.0
        for width, height in SIZES:
            picture, _ = render(replace(scene, background=ground, width_px=width, height_px=height))
            file = jpeg_bytes(picture, 92)
            opened, seconds, measured = 1e9, 1e9, 0
            for _ in range(RUNS):
                began = time.perf_counter()
                photo = photo_from_bytes(file, "photo.jpg")
                opened = min(opened, time.perf_counter() - began)
                began = time.perf_counter()
                measured = measure_photo(photo, sheet).facts.measured
                seconds = min(seconds, time.perf_counter() - began)
            whole = opened + seconds
            smallest = smallest or whole
            print(
                f"{ground:>12}{width * height / 1e6:>6.0f}{len(file) / 1e6:>9.1f}{opened:>8.2f}{seconds:>8.2f}"
                f"{whole / (width * height / 1e6):>7.2f}{measured:>6}{whole / smallest:>7.2f}"
            )
            if (width, height) == JUDGED:
                aims.under(f"12 megapixels, {ground}", whole, AIM_S, "s")
    aims.tell()
    return 0


if __name__ == "__main__":
    sys.exit(main())
