"""The answers of a probing run, as the journal has them, to a board's placement: no height is typed."""

from pathlib import Path

from pastewright.counting import counted
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.link.probes import touched
from pastewright.place.tray.document import board_place_of
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.records.probing import ProbingRecord
from pastewright.work import placing
from pastewright.work.printing.placing import print_placed
from pastewright.writing import write_text


def heights_kept(journal: Journal, run: int, record: ProbingRecord, profile: Profile, program: Path) -> None:
    """Write what was touched into a file of points and into a placement, both beside the program.

    All runs on the board count: one that was stopped and gone on with has touched a part of the places. Raises
    `InputError` where places and answers are not as many as each other.
    """
    board = journal.run(run).board
    found = []
    for row in reversed(journal.runs()):
        if row.board == board:
            found += touched((kind, text) for _, kind, text in journal.events(row.id))
    heights = [place for place in found if place is not None]
    done = journal.counts(board)[DepositState.DONE]
    if len(heights) < len(found) or len(heights) < done:  # one in doubt is touched again
        raise one_error(
            f"{counted(done, 'place')} were probed and the controller answered {len(heights)} times",
            "What it said is in the journal (pastewright report); probe again.",
        )
    text = "".join(f"{x:.3f}, {y:.3f}, {z:.4f}\n" for x, y, z in heights)
    write_text(program.with_suffix(".csv"), text, what="the heights")
    placed = placing.with_heights(
        board_place_of(record.place, "the file beside it"), record.size_mm, profile, heights
    )
    file = program.parent / "placement.json"
    told = placing.placement_text_of(placed, record.board, record.side, record.inputs_sha256)
    write_text(file, told, what="the placement")
    print_placed(placed, file)
