"""What a stop drew back is given back above the next strip, and the numbers of the program stay what they were."""

import pytest
from harness import bench, job_of
from peers import Axes
from programs import LETTERS, written

from pastewright.link.drawn_back import given_back, is_drawn_back
from pastewright.link.job import ProgramPart
from pastewright.link.journal import Journal
from pastewright.link.ways import deposit_units
from pastewright.link.words import Scan

PROTOCOLS = ("reprap", "cnc")


@pytest.mark.parametrize(("protocol", "relative"), [("reprap", False), ("reprap", True), ("cnc", False)])
def test_the_plunger_goes_forward_once_over_the_strip_and_all_else_is_as_planned(protocol, relative):
    job = job_of(written(protocol, 3, relative=relative))
    there = bench(protocol, relief=0.25)
    blocks = given_back(job.blocks, job.letter, there)
    before, after = deposit_units(job, job.blocks), deposit_units(job, blocks)
    assert after[None] - before[None] == pytest.approx(0.25)
    assert {key: value for key, value in after.items() if key is not None} == pytest.approx(
        {key: value for key, value in before.items() if key is not None}
    )
    first, second = (block for block in blocks if block.part is ProgramPart.SETTLE)
    assert second.before == first.after
    assert first.after.place["Z"] == 12.0  # up, over the strip
    assert (first.after.place["X"], first.after.place["Y"]) == job.strip_mm
    scan = Scan(job.letter, first.before)
    for block in (first, second):
        for line in block.lines:
            scan.line(line)
    whole = next(block for block in job.blocks if block.part is ProgramPart.SETTLE)
    assert scan.modal() == whole.after


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_controller_goes_where_the_program_says_all_the_same(protocol):
    job = job_of(written(protocol, 3))

    def path(blocks):
        axes, places = Axes("XYZ" + LETTERS[protocol]), []
        for block in blocks:
            for line in block.lines:
                axes.run(line.replace(" ", ""))
                places.append(tuple(axes.place[letter] for letter in "XYZ"))
        return [place for n, place in enumerate(places) if n == 0 or place != places[n - 1]]

    assert path(given_back(job.blocks, job.letter, bench(protocol, relief=0.25))) == path(job.blocks)


def test_without_a_strip_or_a_relief_nothing_is_added():
    job = job_of(written("reprap", 2))
    assert given_back(job.blocks, job.letter, bench("reprap", relief=0.0)) == job.blocks
    bare = [block for block in job.blocks if block.part is not ProgramPart.SETTLE]
    assert given_back(bare, job.letter, bench("reprap")) == tuple(bare)


@pytest.mark.parametrize(
    ("entries", "back"),
    [
        ([], False),
        (["settling strip", "deposit"], False),
        (["deposit", "broken off and relieved"], True),
        (["deposit", "relief"], True),
        (["load"], True),
        (["relief", "by hand"], False),
        (["relief", "settling strip"], False),
    ],
)
def test_the_account_tells_whether_the_paste_is_drawn_back(tmp_path, entries, back):
    journal = Journal(tmp_path / "journal.db")
    with journal.change() as db:
        for what in entries:
            db.execute("INSERT INTO swept (run, barrel, at, what, ul) VALUES (NULL, 7, 0, ?, 1)", (what,))
    assert is_drawn_back(journal, barrel=7, board=1) is back
    assert not is_drawn_back(journal, barrel=8, board=1)
    journal.close()
