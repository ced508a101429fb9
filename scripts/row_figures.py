"""Read photos of witness rows made by scripts/physical_photos.py and say how far off they are: FOLDER → lines and sums.

FOLDER holds the row's sheet.json, scenes and photos (`physical/rows.py`). Diameters against the scenes' own truth.
"""

import json
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts" / "physical"))

from scenes import LOOKS, truth  # noqa: E402

from pastewright.photo.file import read_photo  # noqa: E402
from pastewright.problems import InputError  # noqa: E402
from pastewright.records.sheet import sheet_of_data  # noqa: E402
from pastewright.tune.photo.row import measure_row, row_laid  # noqa: E402
from pastewright.tune.record.measurements import PhotoGrade  # noqa: E402


def main(folder: Path) -> None:
    row = row_laid(sheet_of_data(json.loads((folder / "sheet.json").read_text("utf-8"))))
    off: list[float] = []
    score: list[float] = []
    wrong = refused = read = rough = 0
    claimed: list[float] = []
    for file in sorted(folder.glob("[0-9]*.json")):
        laid = truth(json.loads(file.read_text("utf-8")))
        for look in LOOKS:
            photo = folder / f"{file.stem}-{look}.jpg"
            try:
                reading = measure_row(read_photo(photo), row)
            except InputError as error:
                refused += 1
                print(photo.stem, "refused:", error.problems[0].what, flush=True)
                continue
            told = [dot for dot in reading.readings if dot.diameter_mm and dot.sigma_mm and dot.index in laid]
            own = np.array([(dot.diameter_mm or np.nan) / laid[dot.index][2] - 1 for dot in told])
            sigma = np.array([(dot.sigma_mm or np.nan) / (dot.diameter_mm or np.nan) for dot in told])
            read += 1
            rough += reading.facts.grade is PhotoGrade.ROUGH
            claimed.append(float(np.median(own)) / reading.facts.shared_sd)
            wrong += bool(np.median(np.abs(own)) > 0.04)
            off += own.tolist()
            score += (own / sigma).tolist()
            print(
                photo.stem,
                f"{len(told)}/{len(laid)} dots, bias {np.median(own):+.1%},",
                f"{reading.facts.grade}, ±{2 * reading.facts.shared_sd:.1%}",
                flush=True,
            )
    print(
        f"{read} photos read, {rough} of them rough, {refused} refused,"
        f" {wrong} off by more than 4 % in the median; {len(off)} dots: bias"
        f" {np.median(off):+.2%}, 95th percentile {np.quantile(np.abs(off), 0.95):.1%},"
        f" error over claimed {np.sqrt(np.mean(np.square(score))):.2f} (rms), of the photos' medians"
        f" {np.sqrt(np.mean(np.square(claimed))):.2f}"
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
