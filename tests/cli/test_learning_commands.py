"""`witness`, `capability` and `note` as a user meets them."""

import csv
import io
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from demo_plans import plan_of
from rendered_photos import jpeg_bytes
from rendered_rows import row_photo
from virtual_bench import lay, truth_of

import pastewright as pw
from pastewright.board.model import Side
from pastewright.learn.belief import AT, NAMES, PER_BOARD, PER_ROOT_HOUR, Belief, seen_of
from pastewright.learn.kept import believed, trial_entry
from pastewright.learn.row import witness_row
from pastewright.profile.read import read_profile
from pastewright.tune.record.profile_update import with_entry


@pytest.fixture
def sure(bench) -> Path:
    """The bench as a trial left it that was sure of everything."""
    profile = read_profile(bench)
    known = Belief(seen=seen_of(profile), covariance=np.diag(np.full(len(NAMES), 0.02) ** 2))
    bench.write_text(
        with_entry(bench.read_text("utf-8"), trial_entry(known, profile, dated="2026-01-05")), "utf-8"
    )
    return bench


def diameters(profile, *, consistency: float, false: float = 1.0) -> str:
    plain = truth_of(profile)
    truth = replace(plain, consistency=plain.consistency * consistency)
    landed = lay(witness_row(profile).motions, truth)
    return " ".join(f"{false * truth.dot_mm(landed.mean_ul[at]):.3f}" for at in sorted(landed.mean_ul))


def photo_of_row(path: Path, profile, *, consistency: float) -> Path:
    """A photo of the row as it lands on the bench written apart."""
    truth = truth_of(profile)
    truth = replace(truth, consistency=truth.consistency * consistency)
    row = witness_row(profile)
    landed = {index: float(volume) for index, volume in lay(row.motions, truth).mean_ul.items()}
    picture, _ = row_photo(
        row.record, volumes_ul=landed, shape_ratio=truth.dot_shape, width_px=2100, height_px=930, seed=2
    )
    path.write_bytes(jpeg_bytes(picture))
    return path


def verify_files(run, folder: Path, profile: Path):
    (program,) = folder.glob("program.*")
    return run("verify", program, "-p", profile, "--plan", folder / "plan.json")


def test_a_row_says_go_correct_or_stop_and_only_an_accepted_one_reaches_the_profile(run, sure, tmp_path):
    folder, plan = tmp_path / "row", tmp_path / "plan"
    pw.write_plan(plan_of(Side.BOTTOM), plan)
    told = run("witness", "row", "-p", sure, "-o", folder)
    assert told.code == 0, told.err
    profile, before = read_profile(sure), sure.read_text("utf-8")
    words = ("witness", "check", folder, "-p", sure, "--plan", plan / "plan.json")

    as_believed = run(*words, "--diameters", diameters(profile, consistency=1.0))
    assert as_believed.code == 0
    assert as_believed.out.startswith("go: as believed")
    false = run(*words, "--diameters", diameters(profile, consistency=1.0, false=0.85), "--accept")
    assert false.code == 1
    assert false.out.startswith("stop: ")
    assert sure.read_text("utf-8") == before

    drifted = run(*words, "--diameters", diameters(profile, consistency=0.9), "--accept")
    assert drifted.code == 0, drifted.err
    assert drifted.out.startswith("correct: deposits drifted by")
    made = verify_files(run, tmp_path / "plan-corrected", sure)
    assert made.code == 0, made.out + made.err
    after = read_profile(sure)
    assert sure.read_text("utf-8").startswith(before.rstrip())  # one more entry, nothing rewritten
    assert after.paste.consistency_kpa_sn < profile.paste.consistency_kpa_sn
    known = believed(after).covariance  # whole, as the row left it
    place, hours = AT["consistency_kpa_sn"], profile.drift.hours
    grown = PER_BOARD["consistency_kpa_sn"] ** 2 + hours * PER_ROOT_HOUR["consistency_kpa_sn"] ** 2
    assert abs(known[place, AT["flow_index"]]) > 0
    assert known[place, place] < believed(profile).covariance[place, place] + grown


def test_a_photo_of_the_row_tells_what_typed_diameters_would(run, sure, tmp_path):
    folder, plan = tmp_path / "row", tmp_path / "plan"
    pw.write_plan(plan_of(Side.BOTTOM), plan)
    assert run("witness", "row", "-p", sure, "-o", folder).code == 0
    profile = read_profile(sure)
    words = ("witness", "check", folder, "-p", sure, "--plan", plan / "plan.json", "--accept")
    drifted = photo_of_row(tmp_path / "drifted.jpg", profile, consistency=0.88)
    both = run(*words, "--photo", drifted, "--diameters", "0.3")
    assert both.code == 2
    assert "measured in more than one way" in both.err
    told = run(*words, "--photo", drifted)
    assert told.code == 0, told.out + told.err
    assert "12 of 12 dots were measured in the photo" in told.out
    assert "correct: deposits drifted by" in told.out
    assert read_profile(sure).paste.consistency_kpa_sn < 0.97 * profile.paste.consistency_kpa_sn
    assert (folder / "overlay-drifted.png").read_bytes().startswith(b"\x89PNG")


def test_too_few_diameters_are_refused_with_what_to_write(run, sure, tmp_path):
    assert run("witness", "row", "-p", sure, "-o", tmp_path / "row").code == 0
    told = run(
        "witness", "check", tmp_path / "row", "-p", sure, "--plan", "plan.json", "--diameters", "0.3 0.4"
    )
    assert told.code == 2
    assert "2 diameters were given, the row has 12 dots" in told.err


def test_capability_prints_writes_and_says_what_to_do(run, tmp_path):
    rng = np.random.default_rng(4)
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(("board", "class", "ref", "pad", "state", "planned_ul", "volume_ul"))
    for board in range(8):
        for pad in range(30):
            state = "bridged" if pad < 2 else "good"
            ref, volume = f"U{pad // 4}", 0.1 * (1 + rng.normal(0, 0.05))
            table.writerow((f"GH-{board}", "dot", ref, f"{ref}-{pad % 4}", state, 0.1, volume))
    path = tmp_path / "deposits.csv"
    path.write_text(text.getvalue(), encoding="utf-8")
    told = run("capability", path, "--out", tmp_path / "able", "--journal", tmp_path / "none.db")
    assert told.code == 0, told.err
    assert "dot: 6.7% are bridged (16 of 240" in told.out
    data = json.loads((tmp_path / "able" / "capability.json").read_text("utf-8"))
    assert data["classes"][0]["bridged"]["found"] == 16
    assert len(data["charts"]) == 3
    assert (tmp_path / "able" / "capability.svg").read_text("utf-8").startswith("<svg")


def test_a_table_given_twice_is_no_more_evidence(run, tmp_path):
    path = tmp_path / "deposits.csv"
    path.write_text("board,pad,state\nA,U1-1,good\n", encoding="utf-8")
    told = run("capability", path, tmp_path / "." / "deposits.csv", "--journal", tmp_path / "none.db")
    assert told.code == 2
    assert "given twice" in told.err


def test_rules_that_were_accepted_are_not_asked_for_again_and_notes_are_taken_back(run, tmp_path):
    def note(*words):
        return run("note", *words, "--design", "logger", "--journal", tmp_path / "runs.db")

    job = tmp_path / "job.toml"
    job.write_text('note = "x"\n', encoding="utf-8")
    for board in ("A", "B", "C"):
        assert note("U3", "bridged", "--board", board).code == 0
    assert note("U3", "bridged", "--board", "C", "--take-back").code == 0
    assert "not noted of board C" in note("U3", "bridged", "--board", "C", "--take-back").err
    assert "bridged on 2 of 2 boards (A, B)" in note("--rules", job, "--accept").out
    once = job.read_text("utf-8")
    again = note("--rules", job, "--accept")
    assert "the rule of 90 % answers" in again.out
    assert job.read_text("utf-8") == once
    for board in ("D", "E"):
        note("U3", "bridged", "--board", board)
    assert "+scale_percent = 81" in note("--rules", job).out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("", "bridged"), "which part is meant was not said"),
        (("--take-back",), "which part is meant was not said"),
        (("--accept",), "which job file is meant was not said"),
        (("U3", "bridged", "--rules", "job.toml"), "a note and --rules were given"),
        (("U3 4", "bridged"), "'U3 4' names no part"),
        (("U3.", "bridged"), "'U3.' names no part"),
        (("U3-", "bridged"), "'U3-' names no part"),
    ],
)
def test_a_note_that_says_half_is_refused_with_what_is_missing(run, tmp_path, words, told):
    got = run("note", *words, "--design", "logger", "--journal", tmp_path / "runs.db")
    assert got.code == 2
    assert told in got.err


def test_notes_become_lines_of_the_job_file_only_when_accepted(run, tmp_path, monkeypatch):
    journal = ("--journal", tmp_path / "runs.db")
    for board in ("GH-001", "GH-004"):
        told = run("note", "U3", "bridged", "--board", board, "--design", "logger", *journal)
        assert told.code == 0, told.err
    wrong = run("note", "U3", "bent", "--board", "GH-001", "--design", "logger", *journal)
    assert wrong.code == 2
    assert "'bent' is no defect" in wrong.err
    job = tmp_path / "job.toml"
    job.write_text('note = "x"\n', encoding="utf-8")
    shown = run("note", "--rules", job, "--design", "logger", *journal)
    assert "+scale_percent = 90" in shown.out
    assert job.read_text("utf-8") == 'note = "x"\n'
    assert run("note", "--rules", job, "--design", "logger", "--accept", *journal).code == 0
    assert 'ref = "U3"' in job.read_text("utf-8")
    listed = run("note", "--design", "logger", *journal)
    assert listed.out.count("bridged") == 2
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert run("job", "check", job, "--help").code == 0
