"""`pastewright probe`: the program that finds a board's height."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import Asking, AtMachine, KeepOutOption, ProfilePath, Source


def probe(
    source: Source,
    *,
    profile: ProfilePath,
    machine: AtMachine,
    placement: Annotated[
        Path | None, typer.Option("--placement", help="Where the board lies [the bed's corner].")
    ] = None,
    grid: Annotated[str, typer.Option("--grid", metavar="COLUMNSxROWS", help="Places to probe.")] = "3x3",
    keep_out: KeepOutOption = None,
    asked: Asking,
    out: Annotated[Path, typer.Option("--out", "-o", help="The program to write.")] = Path("probe"),
) -> int:
    """Probe the board's height, round its tall parts and the job's zones; without --port, write the program that does.

    With --port the heights go into the placement (that of --placement, else a new placement.json), and into a file of
    points beside it. A program that was written is sent with `pastewright run`, which does the same with its answers.
    """
    from pastewright.cli.typed import typed_grid
    from pastewright.place.height.probe import probing, typed_keep_out
    from pastewright.place.transform import on_bed
    from pastewright.place.tray.document import fits_board, read_placement
    from pastewright.program.probing import probing_program, probing_record
    from pastewright.records.probing import probing_text
    from pastewright.work import placing
    from pastewright.work.exits import DONE
    from pastewright.work.machine import boards
    from pastewright.work.printing.placing import print_journey, print_placed
    from pastewright.work.reading import load_asked, load_profile
    from pastewright.writing import write_text

    columns, rows = typed_grid(grid)
    parts = [typed_keep_out(word) for word in keep_out or []]
    bench = load_profile(profile)
    board, job = load_asked(source, asked, bench)
    place = on_bed(bench.bed).boards[0]
    warnings: tuple[str, ...] = ()
    if placement is not None:
        found = read_placement(placement)
        warnings = fits_board(found, board, file=str(placement))
        place = found.placements.boards[0]
    journey = probing(
        board,
        place.affine,
        bench,
        columns=columns,
        rows=rows,
        zones=[*job.zones, *parts],
        surface=place.surface,
    )
    if machine.port:
        probes = boards.felt_by_hand(profile, machine, journey)
        write_text(out.with_suffix(".csv"), boards.probes_text(probes), what="the heights")
        placed = placing.with_heights(place, board.size_mm, bench, probes)
        file = placement or Path("placement.json")
        write_text(file, placing.placement_text(placed, board), what="the placement")
        print_placed(placed, file)
        return DONE
    program = probing_program(journey, bench, board=f"{board.name}, {board.side} side")
    path = out if out.suffix else out.with_suffix(program.suffix)
    write_text(path, program.text, what="the program")
    record = probing_record(program, journey, bench, board=board, place=place)
    write_text(path.with_suffix(".json"), probing_text(record), what="the file beside it")
    print_journey(journey, warnings, path)
    return DONE
