"""The whole way: a bench that is not as its profile says, one sheet, one photo, and what the board gets then."""

from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pytest
from PIL import Image
from tuning_trials import board_errors, demo_bench, photo_of, photographed, tuned, worst_of_95
from virtual_bench import lay, wrong_truth

from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import read_profile
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fit import fit_sheets
from pastewright.tune.sheet.design import designed
from pastewright.tune.sheet.model import write_sheet

ONE, TWO = 0.10, 0.06


def test_one_sheet_and_one_photo_bring_the_board_near_its_doses(run_pastewright, tmp_path):
    """As a person does it: files and commands; only laying and photographing are done by the computer."""
    bench = tmp_path / "bench.toml"
    bench.write_text(example_text(DEMO), encoding="utf-8")
    rng = np.random.default_rng(31)
    truth = wrong_truth(demo_bench(), rng)
    made = designed(demo_bench(), name="first", tries=6)
    laid = lay(made.motions, truth, rng)
    write_sheet(made.sheet, tmp_path / "sheet.json")
    Image.fromarray(photo_of(made.sheet, laid, truth, 31).pixels).save(tmp_path / "photo.jpg", quality=90)
    before = worst_of_95(board_errors(read_profile(bench), truth))
    code, said = run_pastewright("tune", "read", tmp_path / "sheet.json", tmp_path / "photo.jpg")
    assert code == 0, said
    code, said = run_pastewright("tune", "fit", tmp_path, "--profile", bench, "--date", "2025-03-14")
    assert code == 0, said
    after = worst_of_95(board_errors(read_profile(bench), truth))
    assert before > 0.5
    assert after < ONE


def outcome(seed: int) -> tuple[np.ndarray, np.ndarray]:
    profile = demo_bench()
    rng = np.random.default_rng(seed)
    truth = wrong_truth(profile, rng)
    made = designed(profile, name="one")
    first = Evidence(
        made.sheet, photographed(made.sheet, lay(made.motions, truth, rng), truth, 2 * seed), profile
    )
    once = tuned(profile, fit_sheets([first], profile, leave_rows_out=False))
    made = designed(once, name="two")
    readings = photographed(made.sheet, lay(made.motions, truth, rng), truth, 2 * seed + 1)
    both = fit_sheets([first, Evidence(made.sheet, readings, profile)], profile, leave_rows_out=False)
    return board_errors(once, truth), board_errors(tuned(once, both), truth)


@pytest.mark.campaign
def test_a_dozen_benches_are_tuned_by_one_sheet_and_better_by_two():
    with ProcessPoolExecutor(2) as pool:
        errors = list(pool.map(outcome, range(200, 212)))
    one, two = (np.concatenate(parts) for parts in zip(*errors, strict=True))
    print([[f"{worst_of_95(e):.3f}" for e in pair] for pair in errors])
    assert worst_of_95(one) < ONE
    assert worst_of_95(two) < TWO
