"""Read 200 rendered photos of tuning sheets and write how well it went into docs/tuning.md.

Photos are drawn at random (tests/helpers/rendered_photos.py), from seeds that no test and no tuning of the reader uses.
"""

import re
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from photo_judge import Judgement, judged_scene, tallied  # noqa: E402
from rendered_photos import random_scene  # noqa: E402

SEEDS = range(20_000, 20_200)
WORKERS = 2
PAGE = ROOT / "docs" / "tuning.md"
BLOCK = re.compile(r"(<!-- numbers: made by scripts/tuning_photos\.py -->\n).*?(<!-- end -->)", re.DOTALL)


def judged(seed: int) -> Judgement:
    return judged_scene(random_scene(seed))


def row(name: str, judgements: list[Judgement]) -> str:
    tally = tallied(judgements)
    return (
        f"| {name} | {tally.photos} | {tally.all_found:.1%} | {len(tally.refused)} | {len(tally.wrong)} | {tally.median:.2%}"
        f" | {tally.p95:.2%} | {1000 * tally.centre_p99_mm:.0f} µm |"
    )


def main() -> None:
    with ProcessPoolExecutor(WORKERS) as pool:
        judgements = list(pool.map(judged, SEEDS))
    grounds = sorted({one.background for one in judgements})
    rows = [
        "| ground | photos | all found | refused | plainly wrong | diameter, median | 95th percentile | centres, 99th |",
        "|---|---|---|---|---|---|---|---|",
        *(row(ground, [one for one in judgements if one.background == ground]) for ground in grounds),
        row("**all**", judgements),
    ]
    text = "\n".join(rows) + "\n"
    print(text, *(one for one in tallied(judgements).refused), sep="\n")
    page = PAGE.read_text(encoding="utf-8")
    changed, count = BLOCK.subn(lambda found: found.group(1) + text + found.group(2), page)
    if count != 1:
        sys.exit("docs/tuning.md has lost its block of numbers")
    PAGE.write_text(changed, encoding="utf-8")


if __name__ == "__main__":
    main()
