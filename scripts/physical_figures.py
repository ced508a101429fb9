"""Read photos made by scripts/physical_photos.py and say how far off the reader is: FOLDER [FIRST LAST] [--write].

Judged against the scenes' own truth, dots of 20 pixels and more: signed median, 95th percentile of the absolute error,
error over claimed error; what was good, rough and refused; good photos whose median error is above 4 %, and rough ones that
are off by more than the two standard errors they tell. With --write the table goes into docs/tuning.md.
"""

import json
import re
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts" / "physical"))

from scenes import GROUNDS, LOOKS, truth  # noqa: E402

from pastewright.photo.file import read_photo  # noqa: E402
from pastewright.problems import InputError  # noqa: E402
from pastewright.tune.photo.measure import measure_photo  # noqa: E402
from pastewright.tune.record.measurements import DotState, PhotoGrade  # noqa: E402
from pastewright.tune.sheet.model import Sheet, read_sheet  # noqa: E402

WIDE_PX = 20.0
MOST = 0.04  # median error that no good photo may have
PAGE = ROOT / "docs" / "tuning.md"
BLOCK = re.compile(r"(<!-- numbers: made by scripts/physical_figures\.py -->\n).*?(<!-- end -->)", re.DOTALL)


@dataclass
class Judged:
    """One photo. `off` are errors of diameters as a share, `score` over what is claimed, of dots wide enough."""

    name: str
    ground: str
    refused: str = ""
    rough: bool = False
    shared_sd: float = 0.0
    laid: int = 0
    measured: int = 0
    unlaid_measured: int = 0
    laid_missing: int = 0
    why: dict[str, int] = field(default_factory=dict)
    off: list[float] = field(default_factory=list)
    score: list[float] = field(default_factory=list)

    @property
    def median(self) -> float:
        """Signed median error."""
        return float(np.median(self.off)) if self.off else float("nan")


def judged(file: Path, scene: dict, sheet: Sheet) -> Judged:
    """Read one photo and compare with its scene."""
    laid = truth(scene)
    result = Judged(name=file.stem, ground=scene["ground"]["kind"], laid=len(laid))
    try:
        reading = measure_photo(read_photo(file), sheet)
    except InputError as error:
        result.refused = error.problems[0].what
        return result
    result.rough = reading.facts.grade is PhotoGrade.ROUGH
    result.shared_sd = reading.facts.shared_sd
    for dot in reading.readings:
        if dot.state is not DotState.MEASURED:
            result.why[dot.why] = result.why.get(dot.why, 0) + 1
            result.laid_missing += dot.state is DotState.MISSING and dot.index in laid
        elif dot.index not in laid:
            result.unlaid_measured += 1
        else:
            result.measured += 1
            assert dot.diameter_mm is not None and dot.sigma_mm is not None  # as of every measured dot
            wide = laid[dot.index][2]
            if wide * reading.facts.px_per_mm >= WIDE_PX:
                result.off.append(dot.diameter_mm / wide - 1)
                result.score.append((dot.diameter_mm - wide) / dot.sigma_mm)
    return result


HEAD = (
    "| ground | photos | good | rough | refused | dots measured | bias | off at the 95th percentile"
    " | worst median of a good photo, of a rough one | good above 4 % | rough beyond what they say"
    " | median over claimed (rms) |\n|---|---|---|---|---|---|---|---|---|---|---|---|"
)


def row(name: str, photos: list[Judged]) -> str:
    """One line of the table; `median over claimed` is each photo's median error over what it says of all dots together."""
    read = [one for one in photos if not one.refused and one.off]
    lost = len(photos) - len(read)
    if not read:
        return f"| {name} | {len(photos)} | 0 | 0 | {lost} | | | | | | | |"
    off = np.concatenate([one.off for one in read])
    measured = sum(one.measured for one in read) / sum(one.laid for one in read)
    good, rough = ([one for one in read if one.rough is kind] for kind in (False, True))
    worst = ", ".join(
        f"{max(abs(one.median) for one in kind):.1%}" if kind else "–" for kind in (good, rough)
    )
    claimed = np.array([one.median / one.shared_sd for one in read])
    return (
        f"| {name} | {len(photos)} | {len(good)} | {len(rough)} | {lost} | {measured:.1%} | {np.median(off):+.2%}"
        f" | {np.quantile(np.abs(off), 0.95):.1%} | {worst} | {sum(abs(one.median) > MOST for one in good)}"
        f" | {sum(abs(one.median) > 2 * one.shared_sd for one in rough)} | {np.sqrt(np.mean(claimed**2)):.2f} |"
    )


def main() -> None:
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    folder = Path(words[0])
    first, last = (int(words[1]), int(words[2])) if len(words) > 2 else (0, 10**9)
    sheet = read_sheet(folder / "sheet.json")
    photos = []
    for file in sorted(folder.glob("[0-9]*.json")):
        if not first <= int(file.stem) <= last:
            continue
        scene = json.loads(file.read_text(encoding="utf-8"))
        for look in LOOKS:
            one = judged(folder / f"{file.stem}-{look}.jpg", scene, sheet)
            photos.append(one)
            if "--quiet" not in sys.argv:
                said = one.refused or (
                    f"{'rough' if one.rough else 'good'} ±{200 * one.shared_sd:.1f} % "
                    f"{one.measured}/{one.laid} bias {one.median:+.1%} "
                    f"p95 {np.quantile(np.abs(one.off), 0.95) if one.off else 0:.1%} false {one.unlaid_measured} "
                    f"lost {one.laid_missing} {one.why}"
                )
                print(f"{one.name:>12} {one.ground:>7} {said}", flush=True)
    rows = [HEAD, *(row(g, [o for o in photos if o.ground == g]) for g in GROUNDS), row("**all**", photos)]
    table = "\n".join(rows) + "\n"
    print(table)
    if "--write" in sys.argv:
        changed, count = BLOCK.subn(
            lambda found: found.group(1) + table + found.group(2), PAGE.read_text(encoding="utf-8")
        )
        if count != 1:
            sys.exit("docs/tuning.md has lost its block of numbers")
        PAGE.write_text(changed, encoding="utf-8")


if __name__ == "__main__":
    main()
