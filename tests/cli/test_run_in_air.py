"""The first run in the air: that of a program's own dry twin counts, and that of another way does not."""

import pytest

import pastewright as pw
from pastewright.link.companions import job_of, read_companion
from pastewright.link.journal import Journal


def job_in(folder):
    return job_of((folder / "program.gcode").read_text("utf-8"), read_companion(folder / "plan.json"))


@pytest.mark.parametrize("dry", ["plan --dry", "run --dry"])
def test_either_dry_run_counts_for_the_program_and_for_no_other(run, tiny, tmp_path, dry):
    bench, journal = tiny / "stop.toml", tmp_path / "runs.db"
    sent, more = tiny / "top", ["--dry"]
    if dry == "plan --dry":
        board = pw.read_board(tiny / "board", side="top")
        sent, more = tmp_path / "dry", []
        pw.write_plan(pw.make_plan(board, pw.read_profile(tiny / "bench.toml"), dry=True), sent)
        assert (sent / "program.gcode").read_bytes() != (tiny / "top" / "program.gcode").read_bytes()
    book = Journal(journal)
    assert not book.ran_in_air(job_in(tiny / "top"))
    book.close()
    answer = run("run", sent, *more, "-p", bench, "--port", "sim:reprap?scale=0", "--journal", journal)
    assert answer.code == 0, answer
    book = Journal(journal)
    assert book.ran_in_air(job_in(tiny / "top"))
    assert not book.ran_in_air(job_in(tiny / "bottom"))
    (row,) = book.runs()
    assert row.used_ul == 0.0
    book.close()
