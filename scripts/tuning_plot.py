"""Tune benches in the computer that are far from their profile, and plot what the demo board gets before and after.

    python scripts/tuning_plot.py            writes docs/img/tuning.svg and the block of numbers in docs/tuning.md
    python scripts/tuning_plot.py 3 7        prints the benches 3 to 6 only, and writes nothing

Each bench differs from the demo's profile by up to 3 in stiffness and in flow, 5 % in gain, and in what else a profile
does not know (tests/helpers/virtual_bench.py). One sheet is laid, photographed once (tests/helpers/rendered_photos.py),
read, fitted, and the board planned again; then a second sheet, and both fitted together. The same is done with the
dots weighed.
"""

import re
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from time import process_time

import numpy as np
from matplotlib.figure import Figure

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from tuning_trials import board_errors, demo_bench, photographed, taken_again, tuned, weighed  # noqa: E402
from virtual_bench import lay, wrong_truth  # noqa: E402

from pastewright.plot_svg import svg_text  # noqa: E402
from pastewright.tune.fit.evidence import Evidence  # noqa: E402
from pastewright.tune.fit.fit import fit_sheets  # noqa: E402
from pastewright.tune.record.measurements import DotState  # noqa: E402
from pastewright.tune.sheet.design import TRIES, Designed, designed  # noqa: E402

BENCHES = 12
WORKERS = 2
IMAGE = ROOT / "docs" / "img" / "tuning.svg"
PAGE = ROOT / "docs" / "tuning.md"
BLOCK = re.compile(r"(<!-- numbers: made by scripts/tuning_plot\.py -->\n).*?(<!-- end -->)", re.DOTALL)
ONE, TWO = 0.10, 0.06
SCALES = ("", "weighed")


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """Errors of every deposit of the board [-], on one bench, by what was known of it."""

    seed: int
    errors: dict[str, np.ndarray]
    missing: int
    peak_kpa: float
    fit_s: float
    refused: int


@cache
def first_sheet() -> Designed:
    return designed(demo_bench(), name="one", tries=TRIES)


def outcome(seed: int) -> Outcome:
    profile = demo_bench()
    rng = np.random.default_rng(seed)
    truth = wrong_truth(profile, rng)
    errors = {"as profiled": board_errors(profile, truth)}
    laid = lay(first_sheet().motions, truth, rng)
    seen = photographed(first_sheet().sheet, laid, truth, 2 * seed)
    fit_s, refused = 0.0, int(taken_again(seen))
    for number, scale in enumerate(SCALES):
        mass = weighed(first_sheet().sheet, laid, truth, 2 * seed) if scale == "weighed" else None
        first = Evidence(first_sheet().sheet, replace(seen, weighed=mass), profile)
        began = process_time()
        fitted = fit_sheets([first], profile, leave_rows_out=not number)
        fit_s = max(fit_s, process_time() - began)
        once = tuned(profile, fitted)
        errors[f"one sheet{scale and ', ' + scale}"] = board_errors(once, truth)
        made = designed(once, name="two", tries=TRIES)
        again = lay(made.motions, truth, rng)
        readings = photographed(made.sheet, again, truth, 2 * seed + 1, weighing=scale == "weighed")
        refused += taken_again(readings)
        both = [first, Evidence(made.sheet, readings, profile)]
        fitted = fit_sheets(both, profile, leave_rows_out=False)
        errors[f"two sheets{scale and ', ' + scale}"] = board_errors(tuned(once, fitted), truth)
    missing = sum(one.state is DotState.MISSING for one in seen.readings)
    return Outcome(
        seed=seed, errors=errors, missing=missing, peak_kpa=laid.peak_kpa, fit_s=fit_s, refused=refused
    )


def p95(errors: np.ndarray) -> float:
    return float(np.quantile(np.abs(errors), 0.95))


def told(one: Outcome) -> str:
    parts = [f"{name} {p95(errors):6.1%}" for name, errors in one.errors.items()]
    end = f"{one.missing} dots missing, {one.peak_kpa:.0f} kPa, {one.fit_s:.1f} s"
    return f"bench {one.seed:3}: {', '.join(parts)}; {end}"


def table(outcomes: list[Outcome]) -> str:
    rows = [
        "| what is known of the bench | all deposits together | benches within 10 % | within 6 % | worst bench |",
        "|---|---|---|---|---|",
    ]
    for name in outcomes[0].errors:
        each = [p95(one.errors[name]) for one in outcomes]
        pooled = p95(np.concatenate([one.errors[name] for one in outcomes]))
        rows.append(
            f"| {name} | {pooled:.1%} | {sum(v <= ONE for v in each)} of {len(each)}"
            f" | {sum(v <= TWO for v in each)} of {len(each)} | {max(each):.1%} |"
        )
    return "\n".join(rows) + "\n"


def picture(each: dict[str, list[float]], together: dict[str, float]) -> None:
    """Plot the 95th percentile of each bench and that of all deposits together, by what is known."""
    names = list(each)
    figure = Figure(figsize=(8, 3.6), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    shift = np.random.default_rng(0).uniform(-0.18, 0.18, len(each[names[0]]))
    for place, name in enumerate(names):
        values = 100 * np.array(each[name])
        axes.plot(place + shift, values, "o", color="#2f7d64", alpha=0.6, markersize=5)
        pooled = 100 * together[name]
        axes.plot([place - 0.3, place + 0.3], [pooled, pooled], color="#12261f", linewidth=2)
        axes.annotate(f"{pooled:.1f} %", (place + 0.32, pooled), fontsize=8, va="center")
    axes.axhline(100 * ONE, color="#b0512c", linewidth=1, linestyle="--")
    axes.axhline(100 * TWO, color="#b0512c", linewidth=1, linestyle=":")
    axes.set_yscale("log")
    axes.set_yticks([1, 2, 6, 10, 30, 100, 300])
    axes.set_yticklabels(["1", "2", "6", "10", "30", "100", "300"])
    axes.set_ylabel("error of the board's volumes,\n95th percentile [%]")
    axes.set_xticks(range(len(names)))
    axes.set_xticklabels([name.replace(", ", ",\n") for name in names])
    axes.set_xlabel("what is known of the bench (dot: one bench; bar: all benches' deposits together)")
    IMAGE.write_text(svg_text(figure), encoding="utf-8")


def main() -> None:
    seeds = range(*map(int, sys.argv[1:3])) if len(sys.argv) > 2 else range(BENCHES)
    outcomes = []
    with ProcessPoolExecutor(WORKERS) as pool:
        for one in pool.map(outcome, seeds):
            outcomes.append(one)
            print(told(one), flush=True)
    print(table(outcomes))
    if len(sys.argv) > 2:
        return
    together = {
        name: p95(np.concatenate([one.errors[name] for one in outcomes])) for name in outcomes[0].errors
    }
    # What the caption and the page claim.
    assert together["as profiled"] > 0.5
    assert together["one sheet"] <= ONE
    assert together["two sheets"] <= TWO
    picture({name: [p95(one.errors[name]) for one in outcomes] for name in together}, together)
    page = PAGE.read_text(encoding="utf-8")
    slowest = max(one.fit_s for one in outcomes)
    block = (
        table(outcomes)
        + f"\n{len(outcomes)} benches; {sum(one.refused for one in outcomes)} of {3 * len(outcomes)} photos were refused"
        + f" and taken again. Slowest fit of one sheet, rows left out in turn included: {slowest:.0f} s of processor time.\n"
    )
    changed, count = BLOCK.subn(lambda found: found.group(1) + block + found.group(2), page)
    assert count == 1, "docs/tuning.md has lost its block of numbers"
    PAGE.write_text(changed, encoding="utf-8")


if __name__ == "__main__":
    main()
