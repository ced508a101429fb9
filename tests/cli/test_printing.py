"""What is printed, where a person would stumble."""

import json
from dataclasses import replace

from pastewright.cli.printing.runs import tuning_words
from pastewright.cli.printing.tuning import _number
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.tune.fit.constants import CONSTANTS
from pastewright.tune.fit.fit import Estimate


def test_the_tuning_of_a_run_is_told_in_words_and_units():
    tuning = parse_profile(example_text(DEMO), "bench.toml").tuning
    data = {name: getattr(tuning, name) for name in tuning.__slots__}
    words = tuning_words(json.dumps(data))
    assert words.startswith("not tuned yet, gain 100 %, ")
    assert "{" not in words
    assert '"' not in words
    assert tuning_words(json.dumps({**data, "dated": "2026-05-01"})).startswith("of 2026-05-01, ")
    # A journal of another version, or one that was hurt, is shown as it is.
    assert tuning_words("not JSON") == "not JSON"
    assert tuning_words("[1]") == "[1]"


def test_stress_is_told_in_the_units_of_the_profile():
    units = {constant.name: constant for constant in CONSTANTS}
    consistency = next(one for one in units.values() if one.unit == "kPa·sⁿ")
    estimate = Estimate(constant=consistency, value=0.25, prior=0.25, sd=0.1, prior_sd=0.5)
    assert _number(0.25, estimate) == "250 Pa·sⁿ"
    stiffness = next(one for one in units.values() if one.unit == "N/mm")
    assert _number(0.25, replace(estimate, constant=stiffness)) == "0.25 N/mm"
