"""Tuning sheets are sent as boards are: read by strokes, read back, laid and journalled."""

import shutil
from functools import partial

import pytest
from msgspec import structs

from pastewright.cli.app import app
from pastewright.link.companions import companion_of, job_of, read_companion
from pastewright.link.job import ProgramPart
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.link.owner import OwnerState, Stand
from pastewright.problems import InputError
from pastewright.profile.examples import example_text
from pastewright.profile.read import read_profile
from pastewright.records.sheet import SheetRecord
from pastewright.tune.sheet import design
from pastewright.work.running.checks import run_checks
from pastewright.work.running.kinds import is_on_card

BENCHES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a"}


@pytest.fixture(scope="module", params=["reprap", "cnc"])
def sheet(request, tmp_path_factory):
    """A sheet laid by the command that designs it; one order is tried instead of two dozen, which lays no less."""
    folder = tmp_path_factory.mktemp("sheet")
    bench = folder / "bench.toml"
    bench.write_text(example_text(BENCHES[request.param]), "utf-8")
    words = ["tune", "sheet", "-p", str(bench), "-o", str(folder / "sheet"), "--run"]
    words += ["--port", f"sim:{request.param}?scale=0", "--journal", str(folder / "journal.db")]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(design, "designed", partial(design.designed, tries=1))
        assert app(words, standalone_mode=False) == 0
    return folder


def program_of(folder):
    (program,) = [path for path in (folder / "sheet").glob("sheet.*") if path.suffix in (".gcode", ".ngc")]
    return program


def test_a_sheet_is_laid_by_the_command_that_designs_it_and_is_in_the_journal(sheet):
    journal = Journal(sheet / "journal.db")
    (row,) = journal.runs()
    states = {one.state for one in journal.deposits(row.board)}
    journal.close()
    assert states == {DepositState.DONE}
    assert row.board_name == "tuning sheet sheet"
    assert row.phase == "finished"
    assert row.kind == "tuning sheet"


def test_a_sheet_is_asked_for_a_card_and_not_for_a_side(sheet):
    program, bench = program_of(sheet), read_profile(sheet / "bench.toml")
    companion = read_companion(companion_of(program))
    assert is_on_card(companion)
    journal = Journal(sheet / "journal.db")
    stand = Stand(state=OwnerState.IDLE, position={}, machine={}, known=True, why="")
    job = job_of(program.read_text("utf-8"), companion)
    asked = {
        on_card: {one.name: one.question for one in run_checks(bench, job, journal, stand, on_card=on_card)}
        for on_card in (True, False)
    }
    journal.close()
    assert asked[False].keys() - asked[True].keys() == {"side"}
    assert "a card of at least" in asked[True]["board"]


def test_the_block_to_weigh_is_sent_like_the_sheet(sheet, request):
    (weigh,) = [path for path in (sheet / "sheet").glob("weigh.*") if path.suffix in (".gcode", ".ngc")]
    protocol, journal = request.node.callspec.params["sheet"], sheet / "weighed.db"
    words = ["run", str(weigh), "-p", str(sheet / "bench.toml"), "--journal", str(journal)]
    assert app([*words, "--port", f"sim:{protocol}?scale=0"], standalone_mode=False) == 0
    book = Journal(journal)
    (row,) = book.runs()
    assert (row.board_name, row.phase) == ("tuning sheet sheet, block to weigh", "finished")
    told = read_companion(companion_of(weigh))
    assert isinstance(told, SheetRecord)
    assert row.counts[DepositState.DONE] == len(told.dots) >= 12
    assert row.used_ul > sum(dot.dose_ul for dot in told.dots)  # and the strip
    book.close()


def test_each_stroke_is_one_thing_of_the_sheet(sheet):
    program = program_of(sheet)
    companion = read_companion(companion_of(program))
    assert isinstance(companion, SheetRecord)
    text = program.read_text("utf-8")
    job = job_of(text, companion)
    assert len(job.deposits) == len(companion.dots) + len(companion.beads)
    assert [laid.id for laid in job.deposits] == list(range(len(job.deposits)))
    # The writer's own labels stand before the same lines.
    rows = text.splitlines()
    for block in job.blocks:
        if block.part is ProgramPart.DEPOSIT:
            assert f" {block.deposit} " in " ".join(rows[block.first - 1 : block.first + 1])
    journal = Journal(sheet / "journal.db")
    used_ul = journal.runs()[0].used_ul
    journal.close()
    assert used_ul > sum(laid.volume_ul for laid in job.deposits)


def test_a_sheet_that_is_not_the_programs_is_refused(sheet):
    program = program_of(sheet)
    companion = read_companion(companion_of(program))
    assert isinstance(companion, SheetRecord)
    fewer = structs.replace(companion, dots=companion.dots[1:])
    with pytest.raises(InputError, match="lowers the tip"):
        job_of(program.read_text("utf-8"), fewer)


def test_a_changed_sheet_program_does_not_pass_the_read_back(sheet, tmp_path):
    shutil.copytree(sheet / "sheet", tmp_path / "sheet")
    program = program_of(tmp_path)
    lines = program.read_text("utf-8").splitlines()
    at = [index for index, line in enumerate(lines) if line.startswith("G1") and "Z" in line][6]
    lines[at - 1] = lines[at - 1].replace("X", "X1", 1)
    program.write_text("\n".join(lines) + "\n", "utf-8")
    bench, journal = str(sheet / "bench.toml"), str(tmp_path / "journal.db")
    with pytest.raises(InputError, match="not verified"):
        app(
            ["run", str(program), "-p", bench, "--port", "sim:reprap", "--journal", journal],
            standalone_mode=False,
        )
