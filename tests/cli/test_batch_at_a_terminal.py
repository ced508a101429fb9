"""Batches at a real terminal against a virtual machine: boards found by two points, both sides, parts in the way, another
computer that has only the journal's file, and Enter pressed without end."""

import shutil
from itertools import pairwise
from math import cos, radians, sin
from pathlib import Path
from typing import Any

import pytest
from at_a_terminal import Machine, Person
from pytest import approx
from shapely.affinity import translate
from shapely.geometry import LineString, Polygon, box
from tiny_board import BOTTOM_MM, FIDUCIALS_MM, SIZE_MM, TOP_MM

import pastewright as pw
from pastewright.link.barrels import barrels, new_barrel
from pastewright.link.batch import batch, places
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState

AT_MM = (60.0, 60.0)
"""Where the example's profile has the board."""
TRAVEL_MM = 22.0
RIGHT, DOWN, UP = "\x1b[C", "\x1b[B", "\x1b[A"
BOARD = "tells the other keys"
OTHER_COMPUTER = "import pastewright.link.journal as j; j.boot_id = lambda: 'another computer'"


def machine(folder: Path, *more: str) -> Machine:
    return Machine("reprap", folder, "--start", "30,40,50", "--scale", "0.01", *more)


def with_barrel(journal: Path) -> None:
    book = Journal(journal)
    new_barrel(book, "A7", paste="", lot="", fill_ul=900.0, note="", now_s=0.0)
    book.close()


def asked_once(person: Person, *, questions: int) -> None:
    for _ in range(questions):
        person.sees("(y/n)")
        person.types("y", enter=False)


def found(
    person: Person, steps: tuple[tuple[str, int], ...] = (), more: tuple[tuple[str, int], ...] = ()
) -> None:
    """Bring the tip onto both points by keys and confirm them."""
    for keys in (steps, more):
        person.sees("onto the middle of")
        person.sees("step 0.1 mm")
        for key, times in keys:
            for _ in range(times):
                person.types(key, enter=False)
                person.sees("step 0.1 mm")
        person.types("")


def pasted_mm(there: Machine, since: int = 0) -> list[tuple[float, float]]:
    """Where over the board the plunger went forward while the tip was down [mm, machine]."""
    spots: list[tuple[float, float]] = []
    rows = there.done()
    for before, row in zip(rows[since:], rows[since + 1 :], strict=False):
        x, y, z = row["axes_mm"]
        over = (
            AT_MM[0] - 2 <= x <= AT_MM[0] + SIZE_MM[0] + 2 and AT_MM[1] - 2 <= y <= AT_MM[1] + SIZE_MM[1] + 2
        )
        if over and z < TRAVEL_MM - 1 and row["plunger"] > before["plunger"] + 1e-6:
            spots.append((x, y))
    return spots


def assert_clear_of(part: Polygon, top_mm: float, done: list[dict[str, Any]]) -> None:
    """No move leads through a part of the board as it lies in the corner, but above its top [mm, machine]."""
    there, over = translate(part, *AT_MM), 0
    for before, row in pairwise(done):
        (x0, y0, z0), (x1, y1, z1) = before["axes_mm"], row["axes_mm"]
        if LineString([(x0, y0), (x1, y1)]).intersects(there):
            assert min(z0, z1) > top_mm, row
            over += 1
    assert over  # it stands in the way


def nearest_mm(spots: list[tuple[float, float]], place: tuple[float, float]) -> float:
    return min(abs(complex(x - place[0], y - place[1])) for x, y in spots)


def test_a_board_is_pasted_where_its_two_points_were_found(tmp_path: Path, tiny: Path) -> None:
    journal = tmp_path / "runs.db"
    with_barrel(journal)
    turn_deg = 0.5
    # The board lies 0.5 mm right and 0.3 mm down, turned about its first mark.
    first, second = FIDUCIALS_MM
    ways = (second[0] - first[0], second[1] - first[1])
    c, s = cos(radians(turn_deg)), sin(radians(turn_deg))
    off_mm = (round((c - 1) * ways[0] - s * ways[1], 1), round(s * ways[0] + (c - 1) * ways[1], 1))
    assert off_mm == (-0.1, 0.2)
    # A part of 6 mm stands on the straight way between the marks, by the second one.
    part = box(24.0, 14.5, 26.0, 16.0)
    zone = ("--zone", "24,14.5,26,16,6")
    words = ("batch", tiny / "top", "--boards", "1", "--no-witness", *zone, "-p", tiny / "bench.toml")
    with machine(tmp_path) as there:
        with Person(*words, "--port", there.port, "--journal", journal, "--barrel", "A7") as person:
            asked_once(person, questions=4)
            person.sees(BOARD)
            person.types("")
            found(person, ((RIGHT, 5), (DOWN, 3)), (("\x1b[D", 1), (UP, 2)))
            person.sees("found: turned by")
            person.sees("All boards of the batch are done")
            person.types("")
            assert person.ends() == 0, person.seen
        spots, done = pasted_mm(there), there.done()
    assert_clear_of(part, 20.0 + 6.0, done)
    true_deg = 0.4807  # of the whole tenths that were steered: atan2(14.2, 23.9) - atan2(14, 24)
    c, s = cos(radians(true_deg)), sin(radians(true_deg))
    for pad in TOP_MM:
        way = (pad[0] - first[0], pad[1] - first[1])
        place = (
            AT_MM[0] + 0.5 + first[0] + c * way[0] - s * way[1],
            AT_MM[1] - 0.3 + first[1] + s * way[0] + c * way[1],
        )
        assert nearest_mm(spots, place) < 0.06, (pad, spots)
        assert nearest_mm(spots, (AT_MM[0] + pad[0], AT_MM[1] + pad[1])) > 0.3


def test_both_sides_go_on_at_another_computer_with_the_journals_file_alone(
    tmp_path: Path, tiny: Path
) -> None:
    journal, other = tmp_path / "runs.db", tmp_path / "elsewhere" / "runs.db"
    other.parent.mkdir()
    with_barrel(journal)
    zone = ("--zone", "17,8,24,13,1.0")
    begin = ("batch", tiny / "top", "--second", tiny / "bottom", "--boards", "2", "--no-witness", *zone)
    with machine(tmp_path) as there:
        common = ("-p", tiny / "stop.toml", "--port", there.port)
        with Person(*begin, *common, "--journal", journal, "--barrel", "A7") as person:
            asked_once(person, questions=4)
            person.sees(BOARD)
            person.types("")
            person.sees("board 1 is laid")
            person.sees("Board 2 of 2, 2, top side")
            person.process.kill()
            person.process.wait()
        shutil.copy(journal, other)  # not what lies beside it
        with Person("batch", *common, "--journal", other, before=OTHER_COMPUTER) as person:
            asked_once(person, questions=4)
            person.sees("Board 2 of 2, 2, top side")
            person.types("")
            person.sees("board 2 is laid")
            person.sees("Board 1 of 2, 1, bottom side")
            person.types("")
            asked_once(person, questions=2)  # the other side is up, and not gone in the air
            person.sees("board 1 is laid")
            person.types("")
            person.sees("All boards of the batch are done")
            person.types("")
            assert person.ends() == 0, person.seen
        done = there.done()
        spots = pasted_mm(there)
    for pad in TOP_MM:
        place = (AT_MM[0] + pad[0], AT_MM[1] + pad[1])
        assert sum(abs(complex(x - place[0], y - place[1])) < 0.05 for x, y in spots) >= 2, pad
    # Seen from the bottom the board is mirrored; each pad of it is pasted, and nothing goes low over the parts.
    for x, y in BOTTOM_MM:
        assert nearest_mm(spots, (AT_MM[0] + SIZE_MM[0] - x, AT_MM[1] + y)) < 0.05
    book = Journal(other)
    rows = places(book, 1)
    assert sorted((row.side, row.place, str(row.state)) for row in rows) == [
        (side, place, "laid") for side in ("bottom", "top") for place in (1, 2)
    ]
    for row in rows:
        assert row.board is not None
        assert {one.state for one in book.deposits(row.board)} == {DepositState.DONE}
    assert batch(book, 1).ended_at is not None
    (barrel,) = barrels(book)
    book.close()
    profile = pw.read_profile(tiny / "stop.toml")
    assert barrel.used_ul == approx(
        done[-1]["plunger"] * profile.barrel.area_mm2 * profile.tuning.gain, rel=0.001
    )
    assert barrel.doubt_ul == 0.0


@pytest.mark.campaign
def test_parts_in_the_way_are_refused_and_enter_without_end_comes_to_one(tmp_path: Path, tiny: Path) -> None:
    journal = tmp_path / "runs.db"
    with_barrel(journal)
    # A capacitor of 6 mm stands over a pad of this side: no program may go there.
    words = ("batch", tiny / "top", "--boards", "1", "--no-witness", "--zone", "18,10,22,14,6")
    with machine(tmp_path) as there:
        with Person(
            *words, "-p", tiny / "stop.toml", "--port", there.port, "--journal", journal, "--barrel", "A7"
        ) as person:
            asked_once(person, questions=4)
            for _ in range(3):
                person.sees(BOARD)
                person.types("")
                person.sees("was not begun")
                person.sees("zone 1")
            person.sees("paused, since board 1 was tried 3 times in vain")
            assert person.ends() == 1, person.seen
        assert pasted_mm(there) == []
    book = Journal(journal)
    assert [str(row.state) for row in places(book, 1)] == ["waiting"]
    assert book.rows("SELECT count(*) FROM card_rows") == [(0,)]
    book.close()
