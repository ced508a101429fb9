"""Draw what learning from board to board brings, on the bench written apart: docs/img/learning.svg, and its numbers.

Run by hand: it takes some minutes a seed. The numbers that docs/learning.md states are asserted here.
"""

import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from learning_trial import Batch, BoardTold, demo_top, fitted_bench, swings, worked  # noqa: E402

from pastewright.plot_svg import panels, svg_text  # noqa: E402

SEEDS = (1, 2, 3)


def main() -> None:
    """Lay the batches, print their numbers, draw them."""
    figure, axes = panels(len(SEEDS), width_in=7.0, height_in=7.0)
    for seed, axis in zip(SEEDS, axes, strict=True):
        profile, truth = fitted_bench(seed)
        for learning, colour, words in ((False, "#b3261e", "without"), (True, "#1f3b4d", "with learning")):
            boards: list[BoardTold] = worked(profile, truth, demo_top, Batch(seed=seed), learning=learning)
            errors = [one.error_95 for one in boards]
            far = float(np.percentile(errors[1:], 95))
            print(
                f"| {seed} | {words} | {far:.1%} | {max(errors[1:]):.1%} | {float(np.mean(errors[1:])):.1%} |"
                f" {swings(boards):+.2f} |",
                flush=True,
            )
            if learning:
                assert far <= 0.06
            axis.plot(
                [one.number for one in boards], [100 * error for error in errors], color=colour, label=words
            )
        axis.axhline(6, color="#8a8a8a", linewidth=0.8, linestyle="--")
        axis.axvline(16, color="#8a8a8a", linewidth=0.8, linestyle=":")
        axis.set_ylim(0, 8)
        axis.set_ylabel("error, 95th percentile [%]")
    axes[0].legend(frameon=False, loc="upper left")
    axes[-1].set_xlabel("board; a refill with 3 µL of air before board 16")
    (ROOT / "docs" / "img" / "learning.svg").write_text(svg_text(figure), encoding="utf-8")


if __name__ == "__main__":
    main()
