"""`pastewright tune fit`: sheets that were read to constants in the profile."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ProfilePath


def fit(
    folders: Annotated[
        list[Path], typer.Argument(metavar="FOLDER...", help="Folders with sheet.json and dots.csv.")
    ],
    *,
    profile: ProfilePath,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for fit.json and the plot [the first sheet's].")
    ] = None,
    date: Annotated[str, typer.Option("--date", help="Day of the trial, as 2025-03-14 [today].")] = "",
    lot: Annotated[str, typer.Option("--lot", help="Lot of the paste.")] = "",
    temperature: Annotated[
        float | None, typer.Option("--temperature", min=-20, max=80, help="Temperature of the paste [°C].")
    ] = None,
    shape_stated: Annotated[
        bool,
        typer.Option(
            "--shape-stated", help="The profile's dot_shape_ratio was measured: it gives the scale."
        ),
    ] = False,
    smallest_dose: Annotated[
        float | None,
        typer.Option("--smallest-dose", min=0.0001, max=100, help="Smallest dose that you need [µL]."),
    ] = None,
    block_mg: Annotated[
        float | None,
        typer.Option(
            "--block-mg", min=1, max=1e6, help="Mass of the first sheet's block [mg]: it tells the gain."
        ),
    ] = None,
    stiffness: Annotated[
        float | None,
        typer.Option(
            "--stiffness",
            min=1,
            max=1e6,
            help="Stiffness of frame, screw and mount as measured, ± 10 % [N/mm].",
        ),
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            "--plan", help="plan.json of the next board: say which of its pads the fit suffices for."
        ),
    ] = None,
    no_write: Annotated[bool, typer.Option("--no-write", help="Leave the profile as it is.")] = False,
) -> int:
    """Fit the plunger's constants to sheets that were read, say what to change, write them into the profile."""
    from pastewright.tune.record.pictures import residuals_svg
    from pastewright.tune.record.profile_update import with_entry
    from pastewright.work.exits import DONE
    from pastewright.work.printing.console import stages
    from pastewright.work.printing.tuning import print_fit, print_fit_files, print_promise
    from pastewright.work.reading import load_profile
    from pastewright.work.tuning import (
        FitAsked,
        fit_text,
        folder_of,
        sheets_fitted,
        smallest_deposits,
        typed_day,
    )
    from pastewright.writing import writing

    asked = FitAsked(
        dated=typed_day(date),
        lot=lot,
        temperature_c=temperature,
        block_mg=block_mg,
        stiffness_n_mm=stiffness,
        shape_stated=shape_stated,
        smallest_ul=smallest_dose,
    )
    with stages(("reading", "fitting", "verdicts")) as begin:
        begin("reading")
        bench = load_profile(profile)
        pads = {} if plan is None else smallest_deposits(plan)
        done = sheets_fitted(folders, bench, asked, begin)
    print_fit(done.fitted, done.said, done.able)
    print_promise(done.promise, pads)
    place = out or folder_of(folders[0])
    with writing("the results", place, "Choose another folder with --out."):
        place.mkdir(parents=True, exist_ok=True)
        (place / "residuals.svg").write_text(residuals_svg(done.fitted), encoding="utf-8")
        (place / "fit.json").write_text(fit_text(done), encoding="utf-8")
        if not no_write:
            text = profile.read_text(encoding="utf-8")
            profile.write_text(with_entry(text, done.entry), encoding="utf-8")
    print_fit_files(place / "residuals.svg", None if no_write else profile, asked.dated)
    return DONE
