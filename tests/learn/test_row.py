"""The witness row on each example bench: laid, read back, and with dots that the plunger can tell."""

from dataclasses import replace

import pytest

from pastewright.learn.row import ORDER, witness_row
from pastewright.link.weave import Shift
from pastewright.problems import InputError
from pastewright.profile.examples import DEMO, example_names, example_text
from pastewright.profile.read import parse_profile
from pastewright.work.running.witness import witness_of


@pytest.mark.parametrize("name", example_names())
def test_every_example_bench_can_lay_its_row(name):
    profile = parse_profile(example_text(name), name)
    row = witness_row(profile)
    verdict = row.verdict(profile)
    assert verdict.ok, verdict.findings[:3]
    doses = [dot.dose_ul for dot in row.record.dots]
    assert len(doses) == len(ORDER)
    assert min(doses) >= 3 * profile.microstep_ul  # fewer are refused
    assert max(doses) == pytest.approx(8 * min(doses))


def test_where_it_cannot_be_laid_a_batch_is_told_how_to_go_on():
    profile = parse_profile(example_text(DEMO), DEMO)
    short = replace(profile, plunger=replace(profile.plunger, stroke_mm=0.01))
    with pytest.raises(
        InputError, match=r"witness row cannot be laid: the plunger would go .*\n.*--no-witness"
    ):
        witness_of(short, Shift(), travel_z_mm=short.travel_z_mm)
