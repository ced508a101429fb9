"""Where a board lies, found by the machine's own hands: marks that a person steers onto, heights that a contact feels."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import inf
from pathlib import Path

import typer

from pastewright.board.model import Board, Point
from pastewright.hands.finding import feel_heights, find_marks
from pastewright.job.model import Job
from pastewright.place.fiducials.limits import DEFAULT_LIMITS
from pastewright.place.fiducials.points import FoundPoint, board_places, pairs_of
from pastewright.place.height.heights import Probe
from pastewright.place.height.probe import Probing, probing
from pastewright.place.transform import Affine, on_bed
from pastewright.place.tray.document import fits_board, read_placement
from pastewright.problems import one_error
from pastewright.work import placing
from pastewright.work.exits import DONE
from pastewright.work.machine.session import Session, worked
from pastewright.work.machine.standing import StandingParts
from pastewright.work.options import AtMachine
from pastewright.work.printing.placing import print_placed
from pastewright.writing import write_text


def marks_to_find(names: Sequence[str], board: Board) -> Mapping[str, Point]:
    """Return the places on the board of the named points, or of all its fiducials; `InputError` for unknown names."""
    names = list(names) or [f"F{k}" for k in range(1, len(board.fiducials) + 1)]
    if not names:
        raise one_error("the board has no fiducials to find", "Name corners or pads: --find LL --find UR")
    found = [FoundPoint(name=name, found_mm=(0.0, 0.0), file="--find") for name in names]
    return {pair.name: pair.from_mm for pair in pairs_of(found, board_places(board))}


def found_by_hand(
    profile: Path,
    machine: AtMachine,
    places: Mapping[str, Point],
    *,
    by_camera: bool,
    standing: StandingParts,
    journey: Callable[[Session, Sequence[FoundPoint]], Probing] | None = None,
) -> tuple[list[FoundPoint], list[Probe]]:
    """Return where the places were found and, with a `journey` made from them, the heights felt on it.

    Ends the command with its exit code where the work was not finished.
    """
    points: list[FoundPoint] = []
    probes: list[Probe] = []

    def work(session: Session) -> None:
        where = on_bed(session.profile.bed).boards[0].affine
        points.extend(found_among(session, places, where, standing, by_camera=by_camera))
        if journey is not None:
            probes.extend(
                session.play(feel_heights(journey(session, points), session.profile, session.hand.at))
            )

    _carried_out(worked(profile, machine.port, work, baud=machine.baud, home=machine.home))
    return points, probes


def found_among(
    session: Session,
    places: Mapping[str, Point],
    where: Affine,
    standing: StandingParts,
    *,
    by_camera: bool,
    travel_z_mm: float = -inf,
) -> list[FoundPoint]:
    """Return where a person finds the places of a board that lies at about `where`, led clear of what stands on it.

    `travel_z_mm` is the least height of ways [mm, machine], where it is more than the bench's own.
    """
    hand, profile = session.hand, session.profile
    reach = hand.reach()
    reach = replace(reach, travel_z_mm=max(reach.travel_z_mm, travel_z_mm))
    return session.play(
        find_marks(
            places,
            where,
            profile,
            hand.at,
            reach,
            by_camera=by_camera,
            surface=standing.surface,
            ways=lambda step: standing.way(step, reach, profile),
        )
    )


def felt_by_hand(profile: Path, machine: AtMachine, journey: Probing) -> list[Probe]:
    """Return the heights felt on a probing journey; ends the command where it was not finished."""
    probes: list[Probe] = []

    def work(session: Session) -> None:
        probes.extend(session.play(feel_heights(journey, session.profile, session.hand.at)))

    _carried_out(worked(profile, machine.port, work, baud=machine.baud, home=machine.home))
    return probes


def marks_into(session: Session, board: Board, job: Job, out: Path, *, by_camera: bool) -> None:
    """Find the board's fiducials one by one with a person's help, and write where it lies into a placement file."""
    bench = session.profile
    places = marks_to_find([], board)
    where = on_bed(bench.bed).boards[0].affine
    standing = StandingParts(zones=job.zones, size_mm=board.size_mm)
    found = found_among(session, places, where, standing, by_camera=by_camera)
    seen = placing.of_tip(found, bench) if by_camera else found
    placed = placing.placed_board(board, bench, seen, [], kind=None, limits=DEFAULT_LIMITS, file="")
    write_text(out, placing.placement_text(placed, board), what="the placement")
    print_placed(placed, out)


def heights_into(session: Session, board: Board, job: Job, out: Path, *, columns: int, rows: int) -> None:
    """Feel the board's height on a grid, and write it into its placement: the one in the file, else the bed's corner."""
    bench = session.profile
    place = on_bed(bench.bed).boards[0]
    if out.is_file():
        found = read_placement(out)
        fits_board(found, board, file=str(out))
        place = found.placements.boards[0]
    journey = probing(
        board,
        place.affine,
        bench,
        columns=columns,
        rows=rows,
        zones=job.zones,
        surface=place.surface,
    )
    probes = session.play(feel_heights(journey, bench, session.hand.at))
    placed = placing.with_heights(place, board.size_mm, bench, probes)
    write_text(out, placing.placement_text(placed, board), what="the placement")
    print_placed(placed, out)


def probes_text(probes: Sequence[Probe]) -> str:
    """Return heights as a file of points has them: X, Y, Z in mm, a line each."""
    return "".join(f"{x:.3f}, {y:.3f}, {z:.4f}\n" for x, y, z in probes)


def _carried_out(code: int) -> None:
    if code != DONE:
        raise typer.Exit(code)
