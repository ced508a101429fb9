"""Photos of tuning sheets and pasted boards by Cycles, with their truth: the judge that the readers are shown to.

    /path/to/env/bin/python scripts/second_light/taken.py sheet sheet.json FIRST LAST FOLDER
    /path/to/env/bin/python scripts/second_light/taken.py board plan.json FIRST LAST FOLDER

Writes NUMBER.jpg and NUMBER.json (the scene and the truth). Numbers that are there already are left.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import board_scene
import draws
import mounds
import phone
import sheet_scene
import stage


def sheet_photo(sheet: dict[str, Any], number: int) -> tuple[bytes, dict[str, Any]]:
    scene = draws.drawn(number, "sheet")
    rng = np.random.default_rng([711, number])
    made, truth = sheet_scene.dots_of(sheet, scene, rng)
    made += sheet_scene.beads_of(sheet, scene, rng)
    low, high = sheet_scene.extent(sheet)
    far = 8.0
    maps = sheet_scene.ground_of(scene, (low[0] - far, low[1] - far), (high[0] + far, high[1] + far), rng)
    stage.begun()
    wide, tall = maps.size_mm
    x, y = maps.low_mm
    plane = np.array([[x, y, 0], [x + wide, y, 0], [x + wide, y + tall, 0], [x, y + tall, 0]])
    stage.shape_of("ground", plane, np.array([[0, 1, 2, 3]]), stage.ground_material(maps), smooth=False)
    data, per_mm = _taken(scene, made, (low, high), rng)
    return data, {"scene": asdict(scene), "px_per_mm": per_mm, "dots": truth}


def board_photo(plan: dict[str, Any], number: int) -> tuple[bytes, dict[str, Any]]:
    scene = draws.drawn(number, "board")
    rng = np.random.default_rng([712, number])
    board = board_scene.pasted(plan, scene, rng)
    stage.begun()
    stage.slab(board.outline, 1.6, stage.ground_material(board.maps))
    table = np.array([[-300, -300, -1.6], [400, -300, -1.6], [400, 400, -1.6], [-300, 400, -1.6]], float)
    stage.shape_of(
        "table",
        table,
        np.array([[0, 1, 2, 3]]),
        stage.plain("table", float(rng.uniform(0.05, 0.6))),
        smooth=False,
    )
    data, per_mm = _taken(scene, board.mounds, board.seen, rng)
    return data, {"scene": asdict(scene), "px_per_mm": per_mm, "deposits": board.truth, "seen_mm": board.seen}


def _taken(
    scene: draws.Scene, made: list[mounds.Mound], seen: Any, rng: np.random.Generator
) -> tuple[bytes, float]:
    """The photo of the place `seen` (low and high corner, mm), and its pixels a millimetre in the middle."""
    stage.laid(made, scene.paste)
    low, high = seen
    middle = ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)
    size = (high[0] - low[0], high[1] - low[1])
    quarter = round(scene.view["turn"] / 90) % 2
    if quarter:
        size = (size[1], size[0])
    skew = np.radians(scene.view["turn"] - 90 * round(scene.view["turn"] / 90))
    c, s = abs(np.cos(skew)), abs(np.sin(skew))
    slack = 1.06 + 0.2 * scene.view["tilt"] / 15
    size = ((size[0] * c + size[1] * s) * slack, (size[0] * s + size[1] * c) * slack)
    stage.lit(scene.light, rng, middle, scene.view["distance_mm"])
    stage.eyed(scene, middle, size)
    linear = stage.traced(scene.number)
    return phone.jpeg(phone.photo(linear, scene.phone, rng), scene.phone["quality"]), round(
        linear.shape[1] / size[0], 3
    )


def main() -> None:
    kind, source, first, last, folder = sys.argv[1:6]
    design = json.loads(Path(source).read_text())
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    for number in range(int(first), int(last) + 1):
        if (out / f"{number}.json").exists():
            continue
        began = time.process_time()
        data, truth = (sheet_photo if kind == "sheet" else board_photo)(design, number)
        name = design["board"]["name"] if kind == "board" else design["name"]
        truth |= {"design": name, "processor_s": round(time.process_time() - began, 1)}
        (out / f"{number}.jpg").write_bytes(data)
        (out / f"{number}.json").write_text(json.dumps(truth))
        print(number, truth["scene"]["ground"], truth["processor_s"], "s", len(data), flush=True)


if __name__ == "__main__":
    main()
