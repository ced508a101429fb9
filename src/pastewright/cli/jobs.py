"""`pastewright job`: write a commented job file for a board, check one."""

from collections.abc import Sequence
from pathlib import Path

from rich.markup import escape

from pastewright.cli.console import out as console
from pastewright.cli.exits import DONE
from pastewright.cli.reading import layer_overrides, load_board
from pastewright.job.new import job_text
from pastewright.job.read import FILE_NAME, read_job
from pastewright.problems import one_error


def new_command(
    source: Path, out: Path | None, *, side: str, layers: Sequence[str], units: str, columns: str, force: bool
) -> int:
    """Write the job file of a board; beside the design unless `out` says where."""
    board = load_board(source, side=side, overrides=layer_overrides(layers), units=units, columns=columns)
    path = out or (source if source.is_dir() else source.parent) / FILE_NAME
    if path.exists() and not force:
        raise one_error(
            "this file is there already",
            "Choose another --out, or overwrite it with --force.",
            file=str(path),
        )
    try:
        path.write_text(job_text(board), encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the job cannot be written: {error.strerror or error}", "Choose another --out.", file=str(path)
        ) from None
    console.print(f"Wrote {escape(str(path))}; as it stands it changes nothing. Check it after changes with:")
    console.print(f"  pastewright job check {escape(str(path))}")
    return DONE


def check_command(file: Path) -> int:
    """Check a job file and say what it asks for."""
    job = read_job(file)
    counts = (
        (len(job.not_fitted), "pattern(s) of parts not fitted"),
        (len(job.rules), "dose rule(s)"),
        (len(job.pads), "single pad(s)"),
        (len(job.zones), "zone(s)"),
    )
    asked = ", ".join(f"{count} {what}" for count, what in counts if count)
    side = f"{job.side} side; " if job.side is not None else ""
    console.print(f"[bold green]good[/] {side}{asked or 'asks for nothing'}")
    return DONE
