"""Render photos of pasted boards under physical light: FOLDER PLANS FIRST COUNT [bare] → scenes, truths, JPEGs.

PLANS holds a folder with plan.json for each board: logger (the demo board's top), leaf and valve. The last two come from
`scripts/physical/fine_boards.py`, planned with the demo's bench. Runs with the renderer's own environment, see
`scripts/physical_photos.py`. A scene of three photos takes about 15 s of one core; one that is there is not rendered again.
With `bare` the same boards are photographed before pasting, from elsewhere.
"""

import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent / "physical"))

from board_render import rendered
from camera import looks
from pasted import BOARDS, bare_scene, drawn


def main(folder: Path, plans_folder: Path, first: int, count: int, bare: bool) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    plans = {name: json.loads((plans_folder / name / "plan.json").read_text("utf-8")) for name in BOARDS}
    for number in range(first, first + count):
        file = folder / f"{number}.json"
        if file.exists():
            continue
        scene = drawn(number, plans)
        began = time.perf_counter()
        plan = plans[scene["board"]]
        if bare:
            scene = bare_scene(scene)
        pictures, rows = rendered(scene, plan, bare=bare)
        for name, jpeg in looks(pictures, scene).items():
            (folder / f"{number}-{name}.jpg").write_bytes(jpeg)
        file.write_text(json.dumps({"scene": scene, "rows": rows}), encoding="utf-8")
        print(
            number, scene["board"], scene["mask"]["kind"], f"{time.perf_counter() - began:.0f} s", flush=True
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]), "bare" in sys.argv)
