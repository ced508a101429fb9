"""`pastewright job`: write a commented job file for a board, check one."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import ForceOption, ReadOptions, SideName, Source


def new(
    source: Source,
    *,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="The file to write [job.toml beside the design].")
    ] = None,
    side: Annotated[
        SideName | None,
        typer.Option("--side", help="Tie the job to this side [a job for both; the top's parts are listed]."),
    ] = None,
    files: ReadOptions,
    force: ForceOption = False,
) -> int:
    """Write a commented job file for a board."""
    from pastewright.job.new import job_text
    from pastewright.job.read import job_place
    from pastewright.work.exits import DONE
    from pastewright.work.printing.console import print_next
    from pastewright.work.reading import load_board
    from pastewright.writing import refuse_existing, write_text

    board = load_board(source, side=(side or SideName.TOP).value, files=files)
    path = out or job_place(source)
    if not force:
        refuse_existing(path, "Choose another --out, or overwrite it with --force.")
    write_text(path, job_text(board, for_one_side=side is not None), what="the job")
    print_next(
        f"Wrote {path}; as it stands it changes nothing. Check it after changes with:",
        f"pastewright job check {path}",
    )
    return DONE


def check(file: Annotated[Path, typer.Argument(help="The job file to check.")]) -> int:
    """Check a job file: every wrong key, unit and range at once."""
    from pastewright.job.read import read_job
    from pastewright.work.exits import DONE
    from pastewright.work.printing.checked import print_job

    print_job(read_job(file))
    return DONE
