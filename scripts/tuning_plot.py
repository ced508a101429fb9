"""Tune benches in the computer that are far from their profile, and plot what the demo board gets before and after.

    python scripts/tuning_plot.py              benches that are not in the file of rows yet are tuned and added to it
    python scripts/tuning_plot.py 1403 1407    these benches again, whatever the file has of them
    python scripts/tuning_plot.py --photos 6   first sheets of so many benches are read from rendered photos as well
    python scripts/tuning_plot.py --write      writes docs/img/tuning.svg and the block of numbers in docs/tuning.md

The benches are those of `tests/helpers/foreign_benches.py`, simulated by code that shares nothing with ours. One sheet
is laid, measured (a good photo's errors, or a rendered photo), fitted, and the board planned again; the same with a
block weighed; then a second sheet, and both fitted together.
"""

import argparse
import json
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from time import process_time

import numpy as np
from matplotlib.figure import Figure

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from foreign_bench import Foreign, lay_all, track  # noqa: E402
from foreign_benches import SEEDS, drawn  # noqa: E402
from foreign_trials import block_mg, board_errors, p95, readings, seen_by_camera  # noqa: E402
from tuning_trials import demo_bench, photographed  # noqa: E402
from virtual_bench import Laid  # noqa: E402

from pastewright.plot_svg import svg_text  # noqa: E402
from pastewright.profile.examples import DEMO, example_text  # noqa: E402
from pastewright.profile.model import Profile  # noqa: E402
from pastewright.profile.read import parse_profile  # noqa: E402
from pastewright.tune.fit.constants import with_constants  # noqa: E402
from pastewright.tune.fit.evidence import Evidence  # noqa: E402
from pastewright.tune.fit.fit import fit_sheets  # noqa: E402
from pastewright.tune.fit.fitted import Fitted  # noqa: E402
from pastewright.tune.fit.weighing import WeighedBlock  # noqa: E402
from pastewright.tune.record.measurements import Measurements  # noqa: E402
from pastewright.tune.record.profile_update import tuning_entry, with_entry  # noqa: E402
from pastewright.tune.sheet.design import Designed, designed  # noqa: E402
from pastewright.tune.sheet.promise import promise_of  # noqa: E402

STEPS = (
    "as profiled",
    "one sheet",
    "one sheet, a block weighed",
    "two sheets",
    "two sheets, a block weighed",
    "one sheet, rendered photo",
)
ROWS = ROOT / "build" / "tuning-rows.jsonl"
IMAGE = ROOT / "docs" / "img" / "tuning.svg"
PAGE = ROOT / "docs" / "tuning.md"
BLOCK = re.compile(r"(<!-- numbers: made by scripts/tuning_plot\.py -->\n).*?(<!-- end -->)", re.DOTALL)


@dataclass(frozen=True, kw_only=True)
class Knowledge:
    """What is known of one bench after some step: the profile, what the fit promised, how long it took."""

    profile: Profile
    promised: float = 0.0
    worst: float = 0.0  # on one bench of twenty
    asked: bool = False  # for another sheet
    second: float = 0.0  # promised of a second sheet
    doubt: float = 1.0
    modes: int = 0
    fit_s: float = 0.0
    ended: tuple[dict[str, float], ...] = ()


def known(
    sheets: Sequence[tuple[Designed, Measurements]],
    *,
    weighed: tuple[Designed, float] | None = None,
    begin: Sequence[dict[str, float]] = (),
) -> Knowledge:
    profile = demo_bench()
    evidence = [Evidence(made.sheet, seen, profile) for made, seen in sheets]
    blocks = []
    if weighed is not None:
        made, mass_mg = weighed
        blocks = [WeighedBlock(made.sheet.process["block"], mass_mg, profile)]
    began = process_time()
    fitted: Fitted = fit_sheets(evidence, profile, blocks=blocks, begin=begin, leave_rows_out=False)
    promise = promise_of(fitted, with_constants(profile, fitted.lasting))
    entry = tuning_entry(fitted, profile, dated="2025-03-14", sheets=["sheet"], promise=promise)
    return Knowledge(
        profile=parse_profile(with_entry(example_text(DEMO), entry), "bench.toml"),
        second=promise.second * promise.error,
        promised=promise.error,
        worst=promise.worst,
        asked=promise.asks_for_second,
        doubt=promise.pressure_doubt,
        modes=len(fitted.modes),
        fit_s=process_time() - began,
        ended=(fitted.constants, *(mode.constants for mode in fitted.modes)),
    )


def rendered(made: Designed, bench: Foreign, seed: int) -> Measurements:
    (landed,) = lay_all([track(made.motions, demo_bench())], [bench])
    volumes = landed.scattered(bench.noise, np.random.default_rng([seed, 3]))
    laid = Laid(volume_ul=volumes, mean_ul=landed.mean_ul, peak_kpa=landed.peak_kpa, swept_ul=0.0, out_ul=0.0)
    return photographed(made.sheet, laid, seen_by_camera(bench), seed)


@cache
def first_sheet() -> Designed:
    return designed(demo_bench(), name="one")


def row_of(step: str, seed: int, bench: Foreign, one: Knowledge) -> dict[str, object]:
    """The board planned with what is known, laid on the bench: a row of the file, told on the way."""
    ((errors, peak),) = board_errors([one.profile], [bench])
    print(
        f"{step}: bench {seed}: {p95(errors):7.1%}, promised {one.promised:6.1%}, one of 20 {one.worst:.1%}"
        f" (a second sheet {one.second:.1%}),"
        f" {peak:4.0f} kPa, doubt {one.doubt:.2f}, {one.modes} other modes, fit {one.fit_s:.1f} s",
        flush=True,
    )
    return {
        "step": step,
        "seed": seed,
        "promised": round(one.promised, 4),
        "worst": round(one.worst, 4),
        "asked": one.asked,
        "second": round(one.second, 4),
        "kpa": round(peak, 1),
        "modes": one.modes,
        "fit_s": round(one.fit_s, 2),
        "fitted": {name: float(f"{value:.5g}") for name, value in one.ended[0].items()} if one.ended else {},
        "errors": [round(float(error), 5) for error in errors],
    }


def outcome(seed: int, *, photo: bool) -> list[dict[str, object]]:
    """All steps of one bench."""
    profile, first = demo_bench(), first_sheet()
    bench = drawn(profile, seed)
    rows = [row_of(STEPS[0], seed, bench, Knowledge(profile=profile))]
    (laid,) = lay_all([track(first.motions, profile)], [bench])
    seen = readings(first.sheet, laid, bench, np.random.default_rng([seed, 1]))
    once = known([(first, seen)])
    rows.append(row_of(STEPS[1], seed, bench, once))
    mass_mg = block_mg(first, bench, np.random.default_rng([seed, 2]))
    rows.append(row_of(STEPS[2], seed, bench, known([(first, seen)], weighed=(first, mass_mg))))
    second = designed(once.profile, name="two")
    (laid,) = lay_all([track(second.motions, profile)], [bench])
    again = readings(second.sheet, laid, bench, np.random.default_rng([seed, 4]))
    twice = known([(first, seen), (second, again)])
    rows.append(row_of(STEPS[3], seed, bench, twice))
    both = known([(first, seen), (second, again)], weighed=(first, mass_mg), begin=twice.ended)
    rows.append(row_of(STEPS[4], seed, bench, both))
    if photo:
        rows.append(row_of(STEPS[5], seed, bench, known([(first, rendered(first, bench, seed))])))
    return rows


def rows_of_file() -> list[dict]:
    if not ROWS.exists():
        return []
    return [json.loads(line) for line in ROWS.read_text(encoding="utf-8").splitlines()]


def campaign(seeds: Sequence[int], photos: int) -> None:
    """Tune the benches, one after the other; each one's rows are added to the file when they are there."""
    ROWS.parent.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds):
        rows = outcome(seed, photo=number < photos)
        with ROWS.open("a", encoding="utf-8") as file:
            file.writelines(json.dumps(row) + "\n" for row in rows)


def found_rows() -> dict[str, dict[int, dict]]:
    """The newest row of each bench, by step and seed."""
    found: dict[str, dict[int, dict]] = {}
    rows = rows_of_file()
    for step in STEPS:
        newest = {row["seed"]: row for row in rows if row["step"] == step}
        if newest:
            found[step] = {seed: newest[seed] for seed in sorted(newest)}
    return found


def errors_of(rows: dict[int, dict]) -> list[np.ndarray]:
    return [np.array(row["errors"]) for row in rows.values()]


def table(found: dict[str, dict[int, dict]]) -> str:
    rows = [
        "| what is known of the bench | benches | all deposits together"
        " | within 10 % | within 6 % | within 5 % | worst bench |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, benches in found.items():
        each = [p95(errors) for errors in errors_of(benches)]
        pooled = p95(np.concatenate(errors_of(benches)))
        within = " | ".join(str(sum(value <= limit for value in each)) for limit in (0.10, 0.06, 0.05))
        rows.append(f"| {name} | {len(each)} | {pooled:.1%} | {within} | {max(each):.1%} |")
    return "\n".join(rows) + "\n"


def picture(found: dict[str, dict[int, dict]]) -> None:
    """Plot the 95th percentile of each bench and that of all deposits together, by what is known."""
    figure = Figure(figsize=(8, 3.6), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    rng = np.random.default_rng(0)
    for place, benches in enumerate(found.values()):
        values = [100 * p95(errors) for errors in errors_of(benches)]
        shift = rng.uniform(-0.18, 0.18, len(values))
        axes.plot(place + shift, values, "o", color="#2f7d64", alpha=0.6, markersize=5)
        pooled = 100 * p95(np.concatenate(errors_of(benches)))
        axes.plot([place - 0.3, place + 0.3], [pooled, pooled], color="#12261f", linewidth=2)
        axes.annotate(f"{pooled:.1f} %", (place + 0.32, pooled), fontsize=8, va="center")
    for limit, style in ((10, "--"), (6, ":")):
        axes.axhline(limit, color="#b0512c", linewidth=1, linestyle=style)
    axes.set_yscale("log")
    axes.set_yticks([1, 2, 6, 10, 30, 100, 300])
    axes.set_yticklabels(["1", "2", "6", "10", "30", "100", "300"])
    axes.set_ylabel("error of the board's volumes,\n95th percentile [%]")
    axes.set_xticks(range(len(found)))
    axes.set_xticklabels([name.replace(", ", ",\n") for name in found])
    axes.set_xlabel("what is known of the bench (dot: one bench; bar: all benches' deposits together)")
    IMAGE.write_text(svg_text(figure), encoding="utf-8")


def worst_of(found: dict[str, dict[int, dict]]) -> str:
    """The benches beyond 6 %, with what the fit had promised and what is special about them."""
    told = []
    for step, rows in found.items():
        for seed, row in rows.items():
            errors = np.array(row["errors"])
            if step == STEPS[0] or p95(errors) <= 0.06:
                continue
            bench = drawn(demo_bench(), seed)
            told.append(
                f"{seed} ({step}) {p95(errors):.1%}, promised {row['promised']:.1%}, one bench of 20 beyond"
                f" {row['worst']:.1%}: middle of its errors"
                f" {np.median(errors):+.1%}, gain {bench.gain - 1:+.1%}, stiffens by {bench.thixotropy:.0%},"
                f" seal {bench.seal_n:.1f} N, air {bench.air_ul:.0f} µL"
            )
    return "Beyond 6 %: " + "; ".join(told) + "." if told else "None is beyond 6 %."


def written() -> None:
    """Write the picture, and the block of numbers of the page."""
    found = found_rows()
    # What the caption and the page claim.
    pooled = {name: p95(np.concatenate(errors_of(rows))) for name, rows in found.items()}
    assert pooled["as profiled"] > 0.5
    assert pooled["one sheet"] < pooled["as profiled"] / 3
    seeds = sorted(found["one sheet"])
    if len(seeds) == len(SEEDS):
        picture(found)
    slowest = max(row["fit_s"] for rows in found.values() for row in rows.values())
    block = table(found) + f"\n{worst_of(found)}\n"
    if len(seeds) < len(SEEDS):
        block += f"\nSo far {len(seeds)} of the {len(SEEDS)} benches: {', '.join(map(str, seeds))}.\n"
    block += f"\nSlowest fit, what a board may expect included: {slowest:.0f} s of processor time on a busy machine.\n"
    page = PAGE.read_text(encoding="utf-8")
    changed, count = BLOCK.subn(lambda match: match.group(1) + block + match.group(2), page)
    assert count == 1, "docs/tuning.md has lost its block of numbers"
    PAGE.write_text(changed, encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("seeds", nargs="*", type=int, help="benches to be tuned again")
    parser.add_argument("--photos", type=int, default=0, help="so many benches from rendered photos as well")
    parser.add_argument("--write", action="store_true", help="write picture and page from the file of rows")
    words = parser.parse_args()
    done = {row["seed"] for row in rows_of_file()}
    if not words.write:
        campaign(words.seeds or [seed for seed in SEEDS if seed not in done], words.photos)
        print(table(found_rows()))
    else:
        written()


if __name__ == "__main__":
    main()
