"""Tune benches in the computer that are far from their profile, and plot what the demo board gets before and after.

    python scripts/tuning_plot.py            writes docs/img/tuning.svg and the block of numbers in docs/tuning.md
    python scripts/tuning_plot.py 3 7        prints the benches 3 to 6 only, and writes nothing
    python scripts/tuning_plot.py --photos 6 reads the first sheets of so many benches from rendered photos as well

The benches are those of `tests/helpers/foreign_benches.py`, simulated by code that shares nothing with ours. One sheet
is laid, measured (a good photo's errors, or a rendered photo), fitted, and the board planned again; the same with a
block weighed; then a second sheet, and both fitted together. What one step needs is laid on all benches side by side.
"""

import argparse
import re
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from time import process_time

import numpy as np
from matplotlib.figure import Figure

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from foreign_bench import Foreign, Landed, lay_all, track  # noqa: E402
from foreign_benches import SEEDS, drawn  # noqa: E402
from foreign_trials import board_errors, p95, readings, seen_by_camera  # noqa: E402
from tuning_trials import demo_bench, photographed, tuned  # noqa: E402
from virtual_bench import Laid  # noqa: E402

from pastewright.plot_svg import svg_text  # noqa: E402
from pastewright.profile.model import Profile  # noqa: E402
from pastewright.tune.fit.evidence import Evidence  # noqa: E402
from pastewright.tune.fit.fit import Fitted, fit_sheets  # noqa: E402
from pastewright.tune.record.measurements import Measurements  # noqa: E402
from pastewright.tune.sheet.design import TRIES, Designed, designed  # noqa: E402
from pastewright.tune.sheet.promise import planned_with, promise_of  # noqa: E402

WORKERS = 2
SECOND_TRIES = 6  # of the second sheets: one for each bench, and time is short
BLOCK_SPREAD = 0.012  # of a gain from a weighed block: the scale's 1 %, and the paste's density
IMAGE = ROOT / "docs" / "img" / "tuning.svg"
PAGE = ROOT / "docs" / "tuning.md"
BLOCK = re.compile(r"(<!-- numbers: made by scripts/tuning_plot\.py -->\n).*?(<!-- end -->)", re.DOTALL)


@dataclass(frozen=True, kw_only=True)
class Knowledge:
    """What is known of one bench after some step: the profile, what the fit promised, how long it took."""

    profile: Profile
    promised: float = 0.0
    doubt: float = 1.0
    modes: int = 0
    fit_s: float = 0.0
    ended: tuple[dict[str, float], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Job:
    """One fit to be made: sheets with what was read of them, and the gain where a block was weighed."""

    sheets: tuple[tuple[Designed, Measurements], ...]
    gain: float | None = None
    begin: tuple[dict[str, float], ...] = ()  # where an earlier fit of the same bench ended


def known(job: Job) -> Knowledge:
    profile = demo_bench()
    evidence = [Evidence(made.sheet, seen, profile) for made, seen in job.sheets]
    priors = {} if job.gain is None else {"gain": (job.gain, BLOCK_SPREAD)}
    began = process_time()
    fitted: Fitted = fit_sheets(
        evidence, profile, priors=priors, begin=job.begin, leave_rows_out=not job.begin
    )
    there = tuned(profile, fitted)
    promise = promise_of(fitted, there)
    return Knowledge(
        profile=planned_with(there, promise),
        promised=promise.error,
        doubt=promise.pressure_doubt,
        modes=len(fitted.modes),
        fit_s=process_time() - began,
        ended=(fitted.constants, *(mode.constants for mode in fitted.modes)),
    )


def second_sheet(one: Knowledge) -> Designed:
    return designed(one.profile, name="two", tries=SECOND_TRIES)


def rendered(case: tuple[Designed, Landed, Foreign, int]) -> Measurements:
    made, landed, bench, seed = case
    rng = np.random.default_rng([seed, 3])
    volumes = landed.scattered(bench.noise, rng)
    laid = Laid(volume_ul=volumes, mean_ul=landed.mean_ul, peak_kpa=landed.peak_kpa, swept_ul=0.0, out_ul=0.0)
    return photographed(made.sheet, laid, seen_by_camera(bench), seed)


def measured(
    made: Sequence[Designed],
    landed: Sequence[Landed],
    benches: Sequence[Foreign],
    seeds: Sequence[int],
    step: int,
) -> list[Measurements]:
    return [
        readings(sheet.sheet, laid, bench, np.random.default_rng([seed, step]))
        for sheet, laid, bench, seed in zip(made, landed, benches, seeds, strict=True)
    ]


def campaign(seeds: Sequence[int], photos: int) -> dict[str, dict[int, tuple[np.ndarray, float, Knowledge]]]:
    """Errors of every deposit [-], highest pressure [kPa] and what was known, by step and seed."""
    profile = demo_bench()
    benches = [drawn(profile, seed) for seed in seeds]
    found: dict[str, dict[int, tuple[np.ndarray, float, Knowledge]]] = {}

    def keep(name: str, knowledge: Sequence[Knowledge], which: Sequence[int]) -> None:
        errors = board_errors([one.profile for one in knowledge], [benches[at] for at in which])
        found[name] = {
            seeds[at]: (*pair, one) for at, pair, one in zip(which, errors, knowledge, strict=True)
        }
        for seed, (error, peak, one) in found[name].items():
            print(
                f"{name}: bench {seed}: {p95(error):7.1%}, promised {one.promised:6.1%}, {peak:4.0f} kPa,"
                f" doubt {one.doubt:.2f}, {one.modes} other modes, fit {one.fit_s:.0f} s",
                flush=True,
            )

    every = range(len(seeds))
    with ProcessPoolExecutor(WORKERS) as pool:
        keep("as profiled", [Knowledge(profile=profile)] * len(seeds), every)
        first = designed(profile, name="one", tries=TRIES)
        laid = lay_all([track(first.motions, profile)] * len(seeds), benches)
        seen = measured([first] * len(seeds), laid, benches, seeds, 1)
        once = list(pool.map(known, [Job(sheets=((first, one),)) for one in seen]))
        keep("one sheet", once, every)
        gains = [
            bench.gain * (1 + np.random.default_rng([seed, 2]).normal(0.0, BLOCK_SPREAD))
            for bench, seed in zip(benches, seeds, strict=True)
        ]
        jobs = [
            Job(sheets=((first, one),), gain=gain, begin=was.ended)
            for one, gain, was in zip(seen, gains, once, strict=True)
        ]
        keep("one sheet, a block weighed", list(pool.map(known, jobs)), every)
        second = list(pool.map(second_sheet, once))
        again = lay_all([track(made.motions, profile) for made in second], benches)
        seen_again = measured(second, again, benches, seeds, 4)
        both = [
            Job(sheets=((first, one), (made, two)), begin=was.ended)
            for one, made, two, was in zip(seen, second, seen_again, once, strict=True)
        ]
        keep("two sheets", list(pool.map(known, both)), every)
        if photos:
            which = range(min(photos, len(seeds)))
            shown = list(pool.map(rendered, [(first, laid[at], benches[at], seeds[at]) for at in which]))
            keep(
                "one sheet, rendered photo",
                list(pool.map(known, [Job(sheets=((first, one),)) for one in shown])),
                which,
            )
    return found


def table(found: dict[str, dict[int, tuple[np.ndarray, float, Knowledge]]]) -> str:
    rows = [
        "| what is known of the bench | benches | all deposits together"
        " | within 10 % | within 6 % | within 5 % | worst bench |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, benches in found.items():
        each = [p95(errors) for errors, _, _ in benches.values()]
        pooled = p95(np.concatenate([errors for errors, _, _ in benches.values()]))
        within = " | ".join(str(sum(value <= limit for value in each)) for limit in (0.10, 0.06, 0.05))
        rows.append(f"| {name} | {len(each)} | {pooled:.1%} | {within} | {max(each):.1%} |")
    return "\n".join(rows) + "\n"


def picture(found: dict[str, dict[int, tuple[np.ndarray, float, Knowledge]]]) -> None:
    """Plot the 95th percentile of each bench and that of all deposits together, by what is known."""
    figure = Figure(figsize=(8, 3.6), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    rng = np.random.default_rng(0)
    for place, benches in enumerate(found.values()):
        values = [100 * p95(errors) for errors, _, _ in benches.values()]
        shift = rng.uniform(-0.18, 0.18, len(values))
        axes.plot(place + shift, values, "o", color="#2f7d64", alpha=0.6, markersize=5)
        pooled = 100 * p95(np.concatenate([errors for errors, _, _ in benches.values()]))
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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("part", nargs="*", type=int, help="first bench, and the one after the last")
    parser.add_argument("--photos", type=int, default=0, help="so many benches from rendered photos as well")
    words = parser.parse_args()
    seeds = SEEDS[slice(*words.part)] if words.part else SEEDS
    found = campaign(seeds, words.photos)
    print(table(found))
    if words.part:
        return
    # What the caption and the page claim.
    pooled = {name: p95(np.concatenate([one[0] for one in rows.values()])) for name, rows in found.items()}
    assert pooled["as profiled"] > 0.5
    assert pooled["one sheet"] < pooled["as profiled"] / 3
    picture(found)
    page = PAGE.read_text(encoding="utf-8")
    slowest = max(one.fit_s for rows in found.values() for _, _, one in rows.values())
    block = (
        table(found)
        + f"\n{len(seeds)} benches. Slowest fit, rows left out in turn included: {slowest:.0f} s of processor time.\n"
    )
    changed, count = BLOCK.subn(lambda match: match.group(1) + block + match.group(2), page)
    assert count == 1, "docs/tuning.md has lost its block of numbers"
    PAGE.write_text(changed, encoding="utf-8")


if __name__ == "__main__":
    main()
