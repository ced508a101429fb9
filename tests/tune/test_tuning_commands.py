"""`pastewright tune sheet`, `fit` and `history` as a person runs them."""

import json

import numpy as np
import pytest
from tuning_trials import demo_bench, measured
from virtual_bench import lay, truth_of

from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import read_profile
from pastewright.tune.record.dots_csv import dots_csv
from pastewright.tune.sheet.design import designed
from pastewright.tune.sheet.model import read_sheet, write_sheet


@pytest.fixture
def bench(tmp_path):
    file = tmp_path / "bench.toml"
    file.write_text(example_text(DEMO), encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def read_already(tmp_path_factory):
    """A folder as it is after `tune read`: laid on a softer bench."""
    folder = tmp_path_factory.mktemp("trial")
    made = designed(demo_bench(), name="trial", tries=1)
    truth = truth_of(demo_bench(), frame_n_mm=120.0, bubble_ul=1.6, least_dot_bores=1.0)
    rng = np.random.default_rng(8)
    readings = measured(made.sheet, lay(made.motions, truth, rng), truth, rng)
    write_sheet(made.sheet, folder / "sheet.json")
    (folder / "dots.csv").write_text(dots_csv(made.sheet, readings), encoding="utf-8")
    return folder


@pytest.mark.campaign
def test_a_sheet_is_written_with_its_program_and_picture(run_pastewright, bench, tmp_path):
    code, said = run_pastewright(
        "tune", "sheet", "--profile", bench, "--out", tmp_path / "s", "--name", "first"
    )
    assert code == 0, said
    assert "verified" in said
    sheet = read_sheet(tmp_path / "s" / "sheet.json")
    assert sheet.name == "first"
    assert (tmp_path / "s" / "sheet.gcode").read_text().count("dot ") >= len(sheet.dots)
    assert (tmp_path / "s" / "sheet.svg").read_text().count("<title>") == len(sheet.dots) + len(sheet.beads)


def test_a_fit_writes_profile_plot_and_json_and_history_tells_of_it(
    run_pastewright, bench, read_already, tmp_path
):
    words = ["--lot", "A7", "--temperature", "22", "--date", "2025-03-14", "--out", tmp_path / "fit"]
    code, said = run_pastewright("tune", "fit", read_already, "--profile", bench, *words)
    assert code == 0, said
    assert "stiffness of frame" in said and "rows left out in turn" in said and "Cpk" in said
    profile = read_profile(bench)
    assert profile.tuning.dated == "2025-03-14"
    assert profile.history[0].lot == "A7"
    data = json.loads((tmp_path / "fit" / "fit.json").read_text(encoding="utf-8"))
    assert {one["name"] for one in data["constants"]} >= {"gain", "flow_index", "thinning"}
    assert (tmp_path / "fit" / "residuals.svg").stat().st_size > 10_000
    code, said = run_pastewright("tune", "history", "--profile", bench, "--out", tmp_path / "h")
    assert code == 0
    assert "2025-03-14" in said and "A7" in said and "from the trial of 2025-03-14" in said
    assert "<svg" in (tmp_path / "h" / "drift.svg").read_text(encoding="utf-8")


@pytest.mark.campaign
def test_no_write_leaves_the_profile_alone(run_pastewright, bench, read_already, tmp_path):
    before = bench.read_bytes()
    code, _ = run_pastewright(
        "tune", "fit", read_already, "--profile", bench, "--no-write", "--out", tmp_path / "fit"
    )
    assert code == 0
    assert bench.read_bytes() == before


def test_bad_input_is_told_and_ends_with_code_2(run_pastewright, bench, read_already, tmp_path):
    for words, told in (
        (("fit", tmp_path / "none", "--profile", bench), "cannot be read"),
        (("fit", read_already, "--profile", tmp_path / "none.toml"), "cannot be read"),
        (("fit", read_already, read_already, "--profile", bench), "given twice"),
        (("fit", read_already, "--profile", bench, "--date", "tomorrow"), "is not a date"),
        (("sheet", "--profile", bench, "--name", ""), "name must be one line"),
        (("history", "--profile", tmp_path), "a folder, not a profile"),
    ):
        code, said = run_pastewright("tune", *words)
        assert code == 2, words
        assert told in said, said


@pytest.mark.parametrize(
    ("was", "now", "word"),
    [
        ("gauge = 27", "gauge = 25", "tip"),
        ("metal_wt_percent = 85", "metal_wt_percent = 86", "paste"),
        ("gear = 13.73", "gear = 5.18", "bench"),
        ('name = "printer gantry', 'name = "another gantry', "bench"),
    ],
)
def test_a_sheet_of_another_bench_paste_or_tip_is_refused_and_the_profile_left_alone(
    run_pastewright, bench, read_already, tmp_path, was, now, word
):
    text = bench.read_text(encoding="utf-8").replace(was, now)
    bench.write_text(text, encoding="utf-8")
    code, said = run_pastewright("tune", "fit", read_already, "--profile", bench, "--out", tmp_path / "fit")
    assert code == 2
    assert f"the sheet was laid with another {word}" in said
    assert bench.read_text(encoding="utf-8") == text


def test_a_history_of_nothing_says_how_to_begin(run_pastewright, bench):
    code, said = run_pastewright("tune", "history", "--profile", bench)
    assert code == 0
    assert "tune sheet" in said
