"""The job file: everything wrong at once with its line, and a new one that changes nothing."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.demo.board import write_demo
from pastewright.job.model import NO_JOB, Job, LayTurn
from pastewright.job.new import job_text
from pastewright.job.read import SECTIONS, job_beside, parse_job, read_job
from pastewright.problems import InputError
from pastewright.profile.keys import section_named

WHOLE = """
side = "bottom"
not_fitted = "R5, C1*"
note = "second build"
[order]
first = "U*"
last = "J1, J2"
[[rule]]
ref = "D*"
scale_percent = 80
note = "large fillets"
[[rule]]
kind = "thermal"
coverage_percent = 50
[[pad]]
id = "U1-3"
volume_ul = 0.05
[[pad]]
id = "U1-4"
skip = true
[[lay]]
ref = "C1?"
pin = "1"
as = "bead"
[[lay]]
id = "U1-3"
as = "alone"
[[zone]]
name = "clamp"
x_from_mm = 0
x_to_mm = 5
y_from_mm = 1
y_to_mm = 4
height_mm = 8
"""


def refused(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        parse_job(text, "job.toml")
    return [str(problem) for problem in caught.value.problems]


def test_a_whole_job_is_read():
    job = parse_job(WHOLE, "job.toml")
    assert job.side is Side.BOTTOM
    assert job.not_fitted == ("R5", "C1*")
    assert [rule.scale or rule.coverage for rule in job.rules] == [0.8, 0.5]
    assert [(wish.ref, wish.pin, wish.pad_id, str(wish.laid_as)) for wish in job.forms] == [
        ("C1?", "1", "", "bead"),
        ("", "", "U1-3", "alone"),
    ]
    assert (job.rules[0].file, job.rules[0].line) == ("job.toml", 8)
    assert [(pad.pad_id, pad.volume_ul, pad.skip) for pad in job.pads] == [
        ("U1-3", 0.05, False),
        ("U1-4", None, True),
    ]
    (zone,) = job.zones
    assert (zone.x_to_mm, zone.height_mm, zone.margin_mm) == (5, 8, 2)
    assert [job.turn_of(ref) for ref in ("U7", "J1", "R1", "")] == [
        LayTurn.FIRST, LayTurn.LAST, LayTurn.BETWEEN, LayTurn.BETWEEN]  # fmt: skip


def test_an_empty_job_asks_for_nothing():
    job = parse_job("", "job.toml")
    assert (job.side, job.not_fitted, job.rules, job.pads, job.zones) == (None, (), (), (), ())


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('side = "left"', 1, "top or bottom"),
        ('\nnot_fited = "R5"', 2, "not_fitted"),
        ("not_fitted = 5", 1, "must be text"),
        ("[ordr]\nfirst = 'U1'", 1, "Did you mean [order]"),
        ('[order]\nfrist = "U1"', 2, "Did you mean first"),
        ("[rule]\nref = 'U1'", 1, "[[rule]]"),
        ('[[rule]]\nref = "U1"', 1, "exactly one"),
        ("[[rule]]\nscale_percent = 90", 1, "names no pads"),
        ('[[rule]]\nref = "U1"\nscale_percent = 0.9', 3, "This is in percent: write 90"),
        ('[[pad]]\nid = "U1-3"', 1, "nothing to do"),
        ('[[pad]]\nid = "U1-3"\nskip = true\nvolume_ul = 1', 1, "volume_ul and skip"),
        ('[[pad]]\nid = "A-1"\nskip = true\n[[pad]]\nid = "A-1"\nskip = true', 5, "given twice"),
        ("[[pad]]\nskip = true", 1, "pad.id is missing"),
        ('[[zone]]\nname = "a"\nx_from_mm = 5\nx_to_mm = 1\ny_from_mm = 0\ny_to_mm = 1', 3, "not below x_to_mm 1"),
        ('[[zone]]\nname = "a"\nx_from_mm = 5\nx_to_mm = 9\ny_from_mm = 0', 1, "zone.y_to_mm is missing"),
        ('[[zone]]\nname = "a"\nx_from_in = 5\nx_to_mm = 9\ny_from_mm = 0\ny_to_mm = 2', 3, "here it is x_from_mm"),
        ("side = ", 1, "not valid TOML"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_its_line(text, line, words):
    problems = refused(text)
    assert any(problem.startswith(f"job.toml:{line}:") and words in problem for problem in problems), problems


def test_everything_wrong_is_told_at_once():
    assert len(refused('side = "left"\nnot_fitted = 5\n[[pad]]\nid = "U1-3"\n[order]\nfirst = 3\n')) == 4


def test_rules_have_the_keys_of_the_profiles_rules():
    mine = next(section for section in SECTIONS if section.name == "rule")
    assert mine.names == section_named("dose.rule").names


@settings(max_examples=80)
@given(text=st.text(max_size=120))
def test_any_text_is_a_job_or_is_refused(text):
    try:
        assert isinstance(parse_job(text, "job.toml"), Job)
    except InputError as error:
        assert error.problems


@pytest.mark.parametrize("side", list(Side))
def test_a_new_job_is_sound_and_changes_nothing(tmp_path, side):
    write_demo(tmp_path)
    text = job_text(read_board(tmp_path, Ask(side=side)), for_one_side=True)
    job = parse_job(text, "job.toml")
    assert job.side is side
    assert (job.not_fitted, job.rules, job.pads, job.forms, job.zones, job.first) == (
        NO_JOB.not_fitted, NO_JOB.rules, NO_JOB.pads, NO_JOB.forms, NO_JOB.zones, NO_JOB.first)  # fmt: skip
    assert "Parts: " in text


def test_its_remarks_become_a_sound_job_when_filled_in(tmp_path):
    write_demo(tmp_path)
    lines = job_text(read_board(tmp_path, Ask(side=Side.TOP))).splitlines()
    kept = []
    for line in lines:
        bare = line.removeprefix("# ")
        if bare.startswith("[[") or (
            " = " in bare and "= …" not in bare and not bare.startswith(("Job", "Found"))
        ):
            kept.append(bare)
        elif not line.startswith("#"):
            kept.append(line)
    job = parse_job("\n".join(kept), "job.toml")
    assert (len(job.rules), len(job.pads), len(job.forms), len(job.zones)) == (1, 1, 1, 1)


def test_the_job_beside_a_design_is_found(tmp_path: Path):
    assert job_beside(tmp_path) is None
    (tmp_path / "job.toml").write_text('not_fitted = "R5"\n')
    (tmp_path / "board.svg").write_text("<svg/>")
    assert job_beside(tmp_path) == tmp_path / "job.toml"
    assert job_beside(tmp_path / "board.svg") == tmp_path / "job.toml"
    assert read_job(tmp_path / "job.toml").not_fitted == ("R5",)


def test_a_file_that_is_no_job_is_refused(tmp_path: Path):
    for path in (tmp_path, tmp_path / "missing.toml"):
        with pytest.raises(InputError):
            read_job(path)
    (tmp_path / "job.toml").write_bytes(b"side = \xff")
    with pytest.raises(InputError, match="UTF-8"):
        read_job(tmp_path / "job.toml")


@pytest.mark.parametrize(
    "row", ['as = "dots"', 'ref = "C1"\nid = "C1-1"\nas = "dots"', 'pin = "1"\nas = "dots"']
)
def test_a_wish_how_to_lay_speaks_of_a_part_or_of_a_pad(row):
    assert any("speaks of" in words for words in refused(f"[[lay]]\n{row}\n"))
    assert any("as" in words for words in refused('[[lay]]\nref = "C1"\nas = "blob"\n'))


def test_a_pad_without_names_is_met_by_its_id_alone():
    (wish,) = parse_job('[[lay]]\nref = "*"\nas = "dots"\n', "job.toml").forms
    assert wish.meets("C1-1", "C1", "1") and not wish.meets("P0007", "", "")
