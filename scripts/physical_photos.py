"""Render photos of tuning sheets under physical light: FOLDER FIRST COUNT → sheet.json, scenes and JPEGs.

Runs with an environment of its own, which has mitsuba, numpy, Pillow and opencv-python-headless; it is not in the lock:

    python3 -m venv renderer && renderer/bin/pip install mitsuba==3.9.1 numpy pillow opencv-python-headless
    renderer/bin/python scripts/physical_photos.py photos 1000 100

Numbers of `physical/rows.py` are scenes of a witness row: its sheet.json (`pastewright witness row`) lies in FOLDER then.
A scene that is there already is not rendered again. About a minute of one core for each scene of three photos, half of
that for the small sheets of scripts/physical/wide.py, which go into a folder of their own.
"""

import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent / "physical"))

import numpy as np
from camera import looks
from render import rendered
from rows import MIDDLE_MM, ROWS, drawn_row
from scenes import drawn, sheet_data, sheet_of
from wide import DEVELOPMENT_WIDE, FRESH, drawn_wide


def row_scene(number: int, folder: Path) -> dict:
    """Return a scene of the witness row whose sheet.json lies in the folder."""
    dots = json.loads((folder / "sheet.json").read_text(encoding="utf-8"))["dots"]
    places = np.array([(dot["x_mm"], dot["y_mm"]) for dot in dots])
    return drawn_row(
        number, places - places.mean(axis=0) + MIDDLE_MM, np.array([dot["dose_ul"] for dot in dots])
    )


def main(folder: Path, first: int, count: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(first, first + count):
        if any(number in rows for rows in ROWS):
            scene = row_scene(number, folder)
        else:
            scene = drawn_wide(number) if number in DEVELOPMENT_WIDE or number in FRESH else drawn(number)
            sheet = json.dumps(sheet_data(sheet_of(scene)), indent=1) + "\n"
            (folder / "sheet.json").write_text(sheet, encoding="utf-8")
        file = folder / f"{number}.json"
        if file.exists():
            continue
        began = time.perf_counter()
        for name, jpeg in looks(rendered(scene), scene).items():
            (folder / f"{number}-{name}.jpg").write_bytes(jpeg)
        file.write_text(json.dumps(scene), encoding="utf-8")
        print(number, scene["ground"]["kind"], f"{time.perf_counter() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
