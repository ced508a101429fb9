"""What is printed, where a person would stumble."""

import json
from dataclasses import replace

from rich.console import Console

from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.tune.fit.constants import CONSTANTS
from pastewright.tune.fit.fitted import Estimate
from pastewright.tune.record.pictures import drift_svg
from pastewright.work.printing import console as console_module
from pastewright.work.printing import tips as tips_module
from pastewright.work.printing.runs import tuning_words
from pastewright.work.printing.tuning import _number


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


def test_numbers_of_a_table_stay_whole_at_a_narrow_terminal(monkeypatch, capsys):
    narrow = Console(width=80, force_terminal=True, color_system=None)
    monkeypatch.setattr(console_module, "out", narrow)
    monkeypatch.setattr(tips_module, "console", narrow)
    tips_module.print_tips(6)
    said = capsys.readouterr().out
    assert "…" not in said
    assert " 0.0074 " in said
    assert max(len(line) for line in said.splitlines()) <= 80


def test_drift_is_never_drawn_below_zero():
    entries = "".join(
        f'\n[[tuning.history]]\ndated = "2026-05-0{day}"\nsheet = "s"\n'
        f'paste = "p"\ntip = "t"\nframe_stiffness_n_mm = 100\nframe_stiffness_sd_percent = {spread}\n'
        for day, spread in ((1, 5), (2, 200))
    )
    history = parse_profile(example_text(DEMO) + entries, "bench.toml").history
    assert len(history) == 2
    # The second interval, two standard deviations of 200 %, reaches below zero; the axis does not.
    assert "−" not in drift_svg(history)  # a minus of a number on an axis
