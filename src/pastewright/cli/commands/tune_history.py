"""`pastewright tune history`: what earlier sheets taught, and how it drifts."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ProfilePath


def history(
    *,
    profile: ProfilePath,
    out: Annotated[Path | None, typer.Option("--out", "-o", help="Folder for the plot [no plot].")] = None,
) -> int:
    """List what earlier sheets taught, and which of it holds; with --out plot how it drifts."""
    from pastewright.tune.record.pictures import drift_svg
    from pastewright.work.exits import DONE
    from pastewright.work.printing.console import print_file, print_next
    from pastewright.work.printing.tuning import print_history
    from pastewright.work.reading import load_profile
    from pastewright.writing import write_text

    bench = load_profile(profile)
    if not bench.history:
        print_next(
            "This profile has no tuning yet. Begin with:", f"pastewright tune sheet --profile {profile}"
        )
        return DONE
    print_history(bench)
    if out is not None:
        plot = out / "drift.svg"
        write_text(plot, drift_svg(bench.history), what="the plot", mend="Choose another folder with --out.")
        print_file("plot", plot)
    return DONE
