"""From a bench that is not as its profile says to constants that explain its dots."""

from dataclasses import replace
from math import log

import numpy as np
import pytest
from tuning_trials import board_errors, demo_bench, measured, trial, tuned, worst_of_95
from virtual_bench import lay, truth_of

from pastewright.problems import InputError
from pastewright.tune.fit.constants import AT, as_seen, as_they_are, constants_of
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fit import fit_sheets
from pastewright.tune.fit.fitted import Mode
from pastewright.tune.fit.least_squares import LeastSquares
from pastewright.tune.fit.losses import LAST_LOSS, SEARCH_LOSS
from pastewright.tune.fit.survey import designed_for
from pastewright.tune.fit.valleys import hill_between
from pastewright.tune.fit.verdicts import springy_under_ul, verdicts
from pastewright.tune.record.measurements import DotReading, DotState, Weighed

# Softer and thicker by half and more, a plunger that sweeps 4 % less, paste that thins: within one sheet's reach.
TRUTH = {
    "frame_n_mm": 115.0,
    "bubble_ul": 1.7,
    "consistency": 0.18,
    "gain": 0.96,
    "least_dot_bores": 1.05,
    "thinning": 0.10,
}


@pytest.fixture(scope="module")
def laid_once():
    rng = np.random.default_rng(5)
    truth = truth_of(demo_bench(), **TRUTH)
    made, laid, readings = trial(demo_bench(), truth, rng, tries=2)
    return truth, made, laid, readings


@pytest.fixture(scope="module")
def evidence(laid_once):
    return Evidence(laid_once[1].sheet, laid_once[3], demo_bench())


@pytest.fixture(scope="module")
def fitted(evidence):
    return fit_sheets([evidence], demo_bench(), leave_rows_out=False)


def again(evidence, fitted, **told):
    """A further fit of nearly the same dots, which begins where the first one ended."""
    return fit_sheets(evidence, demo_bench(), leave_rows_out=False, begin=[fitted.constants], **told)


def test_one_sheet_brings_the_board_near_its_doses(laid_once, fitted):
    truth = laid_once[0]
    before = worst_of_95(board_errors(demo_bench(), truth))
    # The sheet got warm; the board is laid as warm as the sheet was in the middle of its time.
    warm = replace(truth, thinning=0.0, consistency=truth.consistency * (1 - truth.thinning / 2))
    after = worst_of_95(board_errors(tuned(demo_bench(), fitted), warm))
    assert before > 0.5
    assert after < 0.10


def test_what_is_left_is_the_scatter_of_the_dots(fitted):
    assert fitted.before > 0.3
    assert fitted.spread < 0.06
    assert 0.6 < fitted.chi < 1.3


def test_the_profiles_yield_stress_is_held_since_dots_cannot_tell_it(fitted):
    assert fitted.estimate("yield_stress_kpa").held
    assert not fitted.estimate("backlash_mm").held


def test_what_the_sheet_leaves_open_is_in_the_interval(fitted):
    """This sheet leaves stiffness and consistency open together; the volumes are told all the same (above)."""
    estimate = fitted.estimate("frame_stiffness_n_mm")
    assert estimate.sd > 0.1
    assert abs(log(115.0 / estimate.value)) < 2 * estimate.sd


def test_other_benches_that_explain_the_dots_are_said(evidence, fitted):
    other = Mode(constants={**fitted.constants, "frame_stiffness_n_mm": 40.0}, weight=0.5)
    told = replace(fitted, modes=(other,))
    said = {verdict.name: verdict for verdict in verdicts(told, demo_bench(), [evidence])}
    assert said["modes"].number == 2


def test_a_search_on_the_slope_of_a_valley_where_another_is_home_is_not_gone_on_with(evidence, fitted):
    """Two vectors of one valley have no hill between them; of two valleys they have."""
    problem = LeastSquares([evidence], demo_bench(), shape_stated=False, priors={})
    home = as_seen(fitted.constants)[problem.order]
    aside = home.copy()
    aside[problem.shared.index(AT["gain"])] += 0.03
    assert not hill_between(problem, aside, home)
    # A bubble of a hundredfold is made up for by nothing on the way, and both ends are called equal here.
    far = home.copy()
    far[problem.shared.index(AT["bubble_ul"])] += 4.0
    costs = problem.costs(np.array([home, far, (home + far) / 2]), SEARCH_LOSS)
    assert costs[1] > costs[0] + 100
    assert [problem.cost(x, SEARCH_LOSS) for x in (home, far)] == pytest.approx(costs[:2].tolist())


def test_without_a_weighing_gain_and_shape_share_the_scale_as_their_priors_do(fitted):
    assert fitted.estimate("gain").held
    # The dots are smaller than the travel says; it is put down to their shape.
    assert fitted.constants["dot_shape_ratio"] > 0.4


def test_a_weighing_tells_the_gain_and_so_does_a_shape_that_was_measured(laid_once, fitted):
    truth, made, laid, _ = laid_once
    readings = measured(made.sheet, laid, truth, np.random.default_rng(7), weighing=True)
    weighed = again([Evidence(made.sheet, readings, demo_bench())], fitted)
    assert weighed.weighed
    assert abs(log(weighed.constants["gain"] / 0.96)) < 2.5 * weighed.estimate("gain").sd
    assert weighed.estimate("gain").sd < 0.02
    plain = replace(readings, weighed=None)
    stated = again([Evidence(made.sheet, plain, demo_bench())], fitted, shape_stated=True)
    assert abs(stated.constants["gain"] - 0.96) < 0.025
    words = [v.words for v in verdicts(weighed, demo_bench(), [Evidence(made.sheet, readings, demo_bench())])]
    assert any("plunger steps are off by -" in sentence for sentence in words)


def test_what_all_dots_of_a_rough_photo_share_is_put_down_to_the_photo_and_widens_what_it_would_tell(
    laid_once, fitted
):
    """Every diameter 6 % too wide, where the photo says of itself that they may all be 4 % off: a sixth of volume."""
    truth, made, laid, _ = laid_once
    plain = measured(made.sheet, laid, truth, np.random.default_rng(7))

    def wide(shared_sd: float | None) -> Evidence:
        seen = tuple(
            reading
            if reading.diameter_mm is None or reading.sigma_mm is None
            else replace(
                reading,
                diameter_mm=1.06 * reading.diameter_mm,
                sigma_mm=float(np.hypot(reading.sigma_mm, 1.06 * (shared_sd or 0.0) * reading.diameter_mm)),
                shared_sd=shared_sd,
            )
            for reading in plain.readings
        )
        return Evidence(made.sheet, replace(plain, readings=seen), demo_bench())

    believed, rough = (again([wide(sd)], fitted, shape_stated=True) for sd in (None, 0.04))
    off = {
        name: abs(log(one.constants["gain"] / 0.96))
        for name, one in (("believed", believed), ("rough", rough))
    }
    assert off["believed"] > 3 * believed.estimate("gain").sd
    assert off["rough"] < 2.5 * rough.estimate("gain").sd
    assert rough.estimate("gain").sd > 1.2 * believed.estimate("gain").sd
    photo = rough.estimate("photo_width", 0)
    assert photo.low < log(1.06) < photo.high
    assert all(one.constant.name != "photo_width" for one in believed.estimates)
    said = {verdict.name: verdict.number for verdict in verdicts(rough, demo_bench(), [wide(0.04)])}
    assert said["rough photo"] == pytest.approx(0.04)
    assert all(verdict.name != "rough photo" for verdict in verdicts(believed, demo_bench(), [wide(0.015)]))


def test_a_weighing_is_of_all_that_landed_also_of_what_no_photo_could_measure(laid_once, fitted):
    truth, made, laid, _ = laid_once
    readings = measured(made.sheet, laid, truth, np.random.default_rng(7), weighing=True)
    large = {dot.index for dot in made.sheet.dots if dot.dose_ul > 0.05}
    seen = tuple(
        reading if reading.index in large else DotReading(index=reading.index, state=DotState.REFUSED)
        for reading in readings.readings
    )
    evidence = Evidence(made.sheet, replace(readings, readings=seen), demo_bench())
    once = again([evidence], fitted)
    assert abs(log(once.constants["gain"] / 0.96)) < 2.5 * once.estimate("gain").sd
    # Two such sheets on the scale say the same as one.
    assert readings.weighed is not None
    twice = Weighed(dots=2 * len(made.sheet.dots), mass_mg=2 * readings.weighed.mass_mg)
    evidence = Evidence(made.sheet, replace(readings, readings=seen, weighed=twice), demo_bench())
    assert again([evidence], fitted).constants["gain"] == pytest.approx(once.constants["gain"], rel=1e-3)


def test_how_far_a_number_may_go_is_its_standard_deviations_where_the_valley_is_straight(fitted):
    """The gain is told by its prior alone; backlash and seal bend little. Two benches, the same as the linear algebra."""
    names, covariance = fitted.covariance_alone
    sd = float(np.sqrt(covariance[names.index("gain"), names.index("gain")]))
    far = fitted.furthest(lambda lanes: lanes[:, AT["gain"]], 2.0)
    assert far == pytest.approx(2 * sd, rel=0.15)


def test_a_fit_begins_where_a_sheet_was_designed_for_as_well(laid_once, fitted):
    """A sheet that was made for a bench as an earlier fit had found it: that bench is among the beginnings."""
    _, made, _, readings = laid_once
    there = {**constants_of(demo_bench()), "frame_stiffness_n_mm": 77.0}
    sheet = replace(made.sheet, process={**made.sheet.process, "constants": there})
    problem = LeastSquares(
        [Evidence(sheet, readings, demo_bench())], demo_bench(), shape_stated=False, priors={}
    )
    (begun,) = designed_for(problem)
    assert as_they_are(problem.seen_of(begun, 0))["frame_stiffness_n_mm"] == pytest.approx(77.0)
    plain = LeastSquares(
        [Evidence(made.sheet, readings, demo_bench())], demo_bench(), shape_stated=False, priors={}
    )
    assert designed_for(plain) == []


def test_priors_never_lose_weight(evidence):
    """A bench ten standard deviations from what anyone believes costs half of a hundred more, by any loss."""
    problem = LeastSquares([evidence], demo_bench(), shape_stated=False, priors={})
    x = problem.centre.copy()
    there = x.copy()
    there[problem.shared.index(AT["smallest_dot_bores"])] -= 10 * 0.15
    told = np.sum(problem.residuals(there)[: -x.size] ** 2) - np.sum(problem.residuals(x)[: -x.size] ** 2)
    for loss in (SEARCH_LOSS, LAST_LOSS):
        assert problem.cost(there, loss) - problem.cost(x, loss) == pytest.approx(50.0, abs=1.0 + abs(told))


def test_thinning_is_found_and_said(laid_once, evidence, fitted):
    estimate = fitted.estimate("thinning", 0)
    assert abs(estimate.value - 0.10) < 4 * estimate.sd + 0.03
    said = {verdict.name: verdict for verdict in verdicts(fitted, demo_bench(), [evidence])}
    assert "thinner through the sheet" in said["thinning"].words


def test_missing_dots_tell_how_small_a_dot_may_be():
    truth = truth_of(demo_bench(), frame_n_mm=330.0, least_dot_bores=1.55)
    made, _, readings = trial(demo_bench(), truth, np.random.default_rng(3), tries=2)
    missing = sum(reading.state is DotState.MISSING for reading in readings.readings)
    assert missing > 10
    evidence = Evidence(made.sheet, readings, demo_bench())
    # What is told of the smallest dot does not hang on where the search begins: the profile is near enough here.
    begin = [constants_of(demo_bench())]
    fitted = fit_sheets([evidence], demo_bench(), leave_rows_out=False, begin=begin)
    found = fitted.estimate("smallest_dot_bores")
    assert not found.held
    assert abs(log(found.value / 1.55)) < max(3 * found.sd, 0.08)
    said = {v.name: v for v in verdicts(fitted, demo_bench(), [evidence], smallest_ul=0.005)}
    assert "too wide for your smallest pad" in said["tip"].words
    assert ("not there" in said) == (missing > 0.15 * len(readings.readings))


def test_derivatives_of_the_residuals_are_those_of_evaluating_again(evidence):
    seen = as_seen(constants_of(demo_bench()))
    active = [AT["frame_stiffness_n_mm"], AT["flow_index"], AT["dot_shape_ratio"], AT["thinning"]]
    _, slopes = evidence.slopes(seen, active)
    for column, at in enumerate(active):
        step = np.zeros(seen.size)
        step[at] = 2e-3
        there = (evidence.residuals(seen + step) - evidence.residuals(seen - step)) / 4e-3
        # A drop near nothing bends too much for a difference; the bulk must agree.
        off = np.abs(slopes[:, column] - there)
        assert np.quantile(off, 0.9) < 0.05 * np.quantile(np.abs(there), 0.9) + 0.02


def test_intervals_cover_the_truth(laid_once, fitted):
    """Of constants that the data tell, at most one in twenty misses by three standard deviations; here none may."""
    truth = {"backlash_mm": 0.02, "flow_index": 0.4}
    for name, value in truth.items():
        estimate = fitted.estimate(name)
        assert abs(log(estimate.value / value)) < 3 * estimate.sd, name


@pytest.mark.campaign
def test_leaving_a_row_out_predicts_it(evidence):
    fitted = fit_sheets([evidence], demo_bench())
    assert {row.row for row in fitted.left_out} == set(range(evidence.sheet.rows))
    whole = (sum(r.rms**2 * r.dots for r in fitted.left_out) / sum(r.dots for r in fitted.left_out)) ** 0.5
    assert whole < 1.5 * fitted.spread


@pytest.mark.campaign
def test_a_bad_reading_pulls_little(laid_once, fitted):
    _, made, _, readings = laid_once
    spoilt = tuple(
        replace(reading, diameter_mm=2.5 * reading.diameter_mm) if reading.index in (20, 71, 90) else reading
        for reading in readings.readings
    )
    again = fit_sheets(
        [Evidence(made.sheet, replace(readings, readings=spoilt), demo_bench())],
        demo_bench(),
        leave_rows_out=False,
    )
    (strangers,) = [v for v in verdicts(again, demo_bench(), []) if v.name == "strangers"]
    assert strangers.number == 3
    assert all(str(index) in strangers.words for index in (20, 71, 90))
    for name in ("flow_index", "backlash_mm"):
        assert abs(log(again.constants[name] / fitted.constants[name])) < 2 * fitted.estimate(name).sd


def test_too_few_dots_and_a_foreign_sheet_are_refused(laid_once):
    _, made, _, readings = laid_once
    few = tuple(
        reading if reading.index < 8 else replace(reading, state=DotState.REFUSED)
        for reading in readings.readings
    )
    with pytest.raises(InputError, match="needs 12 or more"):
        Evidence(made.sheet, replace(readings, readings=few), demo_bench())
    with pytest.raises(InputError, match="read from the sheet other"):
        Evidence(made.sheet, replace(readings, sheet="other"), demo_bench())
    with pytest.raises(InputError, match="record of the plunger's strokes is not usable"):
        Evidence(replace(made.sheet, process={"turns": [{"index": 0}]}), readings, demo_bench())


def test_a_soft_barrel_is_told_to_be_bled_or_stiffened():
    profile = demo_bench()
    airy = replace(profile, tuning=replace(profile.tuning, bubble_ul=20.0))
    stiff = replace(
        profile,
        tuning=replace(profile.tuning, bubble_ul=0.0),
        plunger=replace(profile.plunger, frame_stiffness_n_mm=5000.0),
    )
    dose, air = springy_under_ul(airy)
    assert 0.05 < dose < 0.5
    assert air > 0.33
    assert springy_under_ul(stiff)[0] == 0.0
    assert springy_under_ul(profile)[0] == 0.0


@pytest.mark.campaign
def test_two_sheets_beat_one():
    rng = np.random.default_rng(12)
    truth = truth_of(demo_bench(), **{**TRUTH, "gain": 1.0, "thinning": 0.0})
    made, _, readings = trial(demo_bench(), truth, rng, name="one")
    first = Evidence(made.sheet, readings, demo_bench())
    once = tuned(demo_bench(), fit_sheets([first], demo_bench(), leave_rows_out=False))
    made, _, readings = trial(once, truth, rng, name="two")
    second = Evidence(made.sheet, readings, demo_bench())
    both = tuned(demo_bench(), fit_sheets([first, second], demo_bench(), leave_rows_out=False))
    assert worst_of_95(board_errors(both, truth)) < 0.06


def test_the_fit_does_not_know_the_truth(laid_once, fitted):
    """Laid again on another bench, the tuned board is off: the numbers above come from the dots."""
    other = replace(laid_once[0], frame_n_mm=260.0, bubble_ul=0.7)
    laid = lay(laid_once[1].motions, other)
    assert laid.mean_ul != laid_once[2].mean_ul
    assert worst_of_95(board_errors(tuned(demo_bench(), fitted), other)) > 0.2
