"""`pastewright plan` and `pastewright verify` on the demo board, right and wrong."""

import csv
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from pytest import approx

from pastewright.program.model import Program
from pastewright.program.write import write_program

SCHEMA = Path(__file__).parents[2] / "docs" / "plan.schema.json"
RESULTS = {"program.gcode", "plan.json", "pads.csv", "board.svg", "report.html", "legend.json"}


def changed(bench: Path, key: str, value: str) -> Path:
    text, count = re.subn(
        rf"(?m)^{key}( *)=\S*( *)[^#\n]*", rf"{key} = {value} ", bench.read_text(encoding="utf-8")
    )
    assert count == 1, key
    bench.write_text(text, encoding="utf-8")
    return bench


@pytest.fixture
def planned(run: Callable, logger_files: Path, bench: Path, tmp_path: Path) -> Path:
    answer = run("plan", logger_files, "--profile", bench, "--out", tmp_path / "out")
    assert answer.code == 0, answer.out + answer.err
    return tmp_path / "out"


def test_a_plan_leaves_files_that_agree_with_each_other(planned: Path):
    assert {path.name for path in planned.iterdir()} == RESULTS
    document = json.loads((planned / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    assert document["verdict"] == {**document["verdict"], "ok": True, "findings": []}
    pads = document["pads"]
    laid = {item["id"]: item["total_ul"] for pad in pads for item in pad["deposits"]}
    assert len(laid) == document["totals"]["deposits"]
    assert sum(laid.values()) == approx(document["totals"]["paste_ul"], abs=1e-4)
    for pad in pads:
        assert sum(item["volume_ul"] for item in pad["deposits"]) == approx(pad["planned_ul"], abs=1e-5)
        assert (pad["planned_ul"] > 0) == bool(pad["deposits"])
        assert pad["reason"]
    with (planned / "pads.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["id"] for row in rows] == [pad["id"] for pad in pads]
    assert [float(row["planned_ul"]) for row in rows] == [pad["planned_ul"] for pad in pads]


def test_every_deposit_knows_its_line_and_the_line_names_its_pad(planned: Path):
    lines = (planned / "program.gcode").read_text(encoding="utf-8").splitlines()
    document = json.loads((planned / "plan.json").read_text(encoding="utf-8"))
    for pad in document["pads"]:
        for item in pad["deposits"]:
            assert lines[item["line"] - 1].startswith("; pad "), item
    named = {
        pad["id"]
        for pad in document["pads"]
        for item in pad["deposits"]
        if item["total_ul"] == item["volume_ul"]
    }
    words = {word for line in lines if line.startswith("; pad ") for word in line.split()}
    assert named <= words


def test_travel_is_never_below_its_bound(planned: Path):
    totals = json.loads((planned / "plan.json").read_text(encoding="utf-8"))["totals"]
    assert 0 < totals["travel_bound_s"] <= totals["travel_s"]


def test_a_finished_program_verifies_and_a_changed_one_does_not(run: Callable, planned: Path, bench: Path):
    program, plan = planned / "program.gcode", planned / "plan.json"
    assert run("verify", program, "--plan", plan, "--profile", bench).code == 0
    text = program.read_text(encoding="utf-8")
    pushes = [match.start() for match in re.finditer(r"(?m)^G1 E0\.\d+ F", text)]
    at = pushes[len(pushes) // 2]
    program.write_text(text[:at] + text[at:].replace("G1 E0.", "G1 E0.0", 1), encoding="utf-8")
    answer = run("verify", program, "--plan", plan, "--profile", bench)
    assert answer.code == 1
    assert "wrong volume" in answer.out


def test_the_cause_is_shown_beside_the_deposits_that_it_left_bare(
    run: Callable, planned: Path, bench: Path, tmp_path: Path
):
    # Every deposit is missing, and the first sixteen of those would fill the screen.
    wrong = tmp_path / "wrong.gcode"
    text = (planned / "program.gcode").read_text(encoding="utf-8")
    wrong.write_text(text.replace("G1 E", "G1 J"), encoding="utf-8")
    answer = run("verify", wrong, "--plan", planned / "plan.json", "-p", bench)
    assert answer.code == 1
    stranger, first, second = answer.out.splitlines()[:3]
    assert "not the program that was written with this plan" in stranger
    assert first.startswith("not verified")
    assert " missing" in first
    assert re.match(r"  line \d+: (unknown word|bad line): ", second)


@pytest.mark.parametrize("text", ["[" * 200_000, '{"format": ' + "9" * 5000 + "}"])
def test_a_plan_of_endless_depth_or_digits_is_refused(
    run: Callable, planned: Path, bench: Path, tmp_path: Path, text
):
    plan = tmp_path / "plan.json"
    plan.write_text(text, encoding="utf-8")
    answer = run("verify", planned / "program.gcode", "--plan", plan, "-p", bench)
    assert answer.code == 2
    assert "not a plan" in answer.err


def test_a_dry_program_moves_no_plunger_and_is_no_substitute_for_the_wet_one(
    run: Callable, planned: Path, logger_files: Path, bench: Path, tmp_path: Path
):
    answer = run("plan", logger_files, "-p", bench, "--dry", "--out", tmp_path / "dry")
    assert answer.code == 0, answer.out + answer.err
    program = tmp_path / "dry" / "program.gcode"
    moves = [
        line for line in program.read_text(encoding="utf-8").splitlines() if line.startswith(("G0", "G1"))
    ]
    assert moves
    assert not any(" E" in line for line in moves)
    assert run("verify", program, "--plan", planned / "plan.json", "-p", bench).code == 1


def test_a_mistake_of_the_writer_is_found_and_its_program_is_not_written(
    run: Callable, logger_files: Path, bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    out = tmp_path / "out"
    assert run("plan", logger_files, "-p", bench, "--out", out).code == 0

    def forgetful(*arguments: object) -> Program:
        program = write_program(*arguments)  # type: ignore[arg-type]
        lines = program.text.splitlines(keepends=True)
        first = next(k for k, line in enumerate(lines) if line.startswith("; pad "))
        after = next(k for k, line in enumerate(lines) if k > first and line.startswith("; pad "))
        return replace(program, text="".join([*lines[:first], *lines[after:]]))

    monkeypatch.setattr("pastewright.plan.pipeline.write_program", forgetful)
    answer = run("plan", logger_files, "-p", bench, "--out", out)
    assert answer.code == 1
    assert "missing" in answer.out
    # The program of the earlier plan must not lie beside a plan it does not belong to.
    assert {path.name for path in out.iterdir()} == RESULTS - {"program.gcode"}
    assert json.loads((out / "plan.json").read_text(encoding="utf-8"))["verdict"]["ok"] is False
    answer = run("plan", logger_files, "-p", bench, "--out", out, "--even-if-unverified")
    assert answer.code == 1
    assert (out / "program.gcode").exists()


def test_a_board_outside_the_axes_is_refused_with_the_axis(
    run: Callable, logger_files: Path, bench: Path, tmp_path: Path
):
    answer = run("plan", logger_files, "-p", changed(bench, "x_max_mm", "100"), "--out", tmp_path / "out")
    assert answer.code == 2
    assert "x" in answer.err.lower()
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["plan", "nowhere", "-p", "BENCH"], "no such file or folder"),
        (["plan", "LOGGER", "-p", "nowhere.toml"], "nowhere.toml"),
        (["plan", "BENCH", "-p", "BENCH"], "bench.toml"),
        (["plan", "LOGGER", "-p", "BENCH", "--layer", "x.gbr=top pste"], "Did you mean 'top paste'"),
        (["plan", "LOGGER", "-p", "BENCH", "--side", "left"], "left"),
        (["plan", "LOGGER"], "--profile"),
        (["look", "EMPTY"], "EMPTY"),
        (["advise", "EMPTY", "-p", "BENCH"], "EMPTY"),
        (["verify", "nowhere.gcode", "--plan", "BENCH", "-p", "BENCH"], "nowhere.gcode"),
        (["verify", "BENCH", "--plan", "BENCH", "-p", "BENCH"], "not JSON"),
        (["verify", "BENCH", "--plan", "LIST", "-p", "BENCH"], "LIST"),
        (["profile", "check", "LIST"], "LIST"),
        (["tips", "--powder", "12"], "--powder"),
        (["mould"], "mould"),
    ],
)
def test_wrong_input_is_named_and_ends_with_two(
    words: list[str], says: str, run: Callable, logger_files: Path, bench: Path, tmp_path: Path
):
    empty, listed = tmp_path / "EMPTY", tmp_path / "LIST"
    empty.mkdir()
    listed.write_text("[1, 2" if "check" in words else "[1, 2]", encoding="utf-8")
    places = {"LOGGER": logger_files, "BENCH": bench, "EMPTY": empty, "LIST": listed}
    answer = run(*(places.get(word, word) for word in words))
    assert answer.code == 2
    assert says in answer.err


def test_a_wrong_profile_names_every_wrong_key_at_once(run: Callable, logger_files: Path, bench: Path):
    text = bench.read_text(encoding="utf-8").replace("letter =", "leter =").replace("dialect =", "dialekt =")
    bench.write_text(text, encoding="utf-8")
    answer = run("plan", logger_files, "-p", bench)
    assert answer.code == 2
    assert "leter" in answer.err
    assert "dialekt" in answer.err
    assert re.search(r"bench\.toml:\d+: ", answer.err)


def test_what_is_doubtful_about_the_bench_travels_with_the_plan(
    run: Callable, logger_files: Path, bench: Path, tmp_path: Path
):
    out = tmp_path / "out"
    answer = run("plan", logger_files, "-p", bench, "--side", "bottom", "--out", out)
    told = json.loads((out / "plan.json").read_text(encoding="utf-8"))["warnings"]
    assert any(words.startswith("bench.toml: this bench is not tuned yet") for words in told)
    assert any("times the largest particle of type 5 powder; 10 times is safe. " in words for words in told)
    assert "not tuned yet" in answer.out
    assert "not tuned yet" in (out / "report.html").read_text(encoding="utf-8")


def test_results_that_cannot_be_written_say_so(
    run: Callable, logger_files: Path, bench: Path, tmp_path: Path
):
    (tmp_path / "out").write_text("a file where the folder should be", encoding="utf-8")
    answer = run("plan", logger_files, "-p", bench, "--out", tmp_path / "out")
    assert answer.code == 2
    assert "cannot be written" in answer.err
