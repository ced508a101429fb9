"""Draws docs/img/tolerance.svg: predicted and simulated spreads of the demo board over 200 benches; 5 minutes."""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "helpers"))

from tolerance_trials import SizeClass, size_classes  # noqa: E402

from pastewright.board.model import Side  # noqa: E402
from pastewright.plot_svg import panels, svg_text  # noqa: E402

BENCHES = 200
SEEDS = (7, 23)
AGREES = 0.20


def drawn(each: list[list[SizeClass]]) -> str:
    """Return the picture: what 95 of 100 benches are within, by the size of the deposits."""
    figure, (axes,) = panels(1, width_in=6.4, height_in=3.4)
    classes = each[0]
    volumes = [one.volume_ul for one in classes]
    predicted = [100 * one.predicted for one in classes]
    axes.fill_between(
        volumes,
        [(1 - AGREES) * value for value in predicted],
        [(1 + AGREES) * value for value in predicted],
        color="#b9c8c0",
        label="predicted ± a fifth",
    )
    axes.plot(volumes, predicted, color="#24443a", label="predicted")
    for seed, found, mark in zip(SEEDS, each, "os", strict=True):
        simulated = [100 * one.simulated for one in found]
        axes.plot(volumes, simulated, mark, color="#b0512c", label=f"simulated, seed {seed}")
    axes.set_xscale("log")
    axes.set_ylim(bottom=0)
    axes.set_xlabel("volume of the deposits [µL]")
    axes.set_ylabel("95 of 100 benches are within [%]")
    axes.legend(frameon=False)
    return svg_text(figure)


def main() -> None:
    each = [size_classes(Side.TOP, BENCHES, seed=seed) for seed in SEEDS]
    for one in (one for classes in each for one in classes):
        print(
            f"| {one.volume_ul:.3g} | {one.deposits} | {one.predicted:.2%} | {one.simulated:.2%} | {one.deviation:.2%} |"
        )
        assert abs(one.predicted / one.simulated - 1) <= AGREES, one
    (ROOT / "docs" / "img" / "tolerance.svg").write_text(drawn(each), encoding="utf-8")


if __name__ == "__main__":
    main()
