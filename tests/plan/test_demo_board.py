"""The whole line on the demo board: what every program of it must hold."""

import subprocess
import sys
from pathlib import Path

import pytest
from demo_plans import plan_of
from pytest import approx

from pastewright.board.model import Side
from pastewright.profile.examples import example_names

COARSE = "bench-coarse"  # too coarse for this board, on purpose


@pytest.mark.parametrize("side", Side)
def test_every_deposit_is_within_five_percent_of_its_plan_first_and_size_changes_included(side: Side):
    plan = plan_of(side)
    assert plan.verdict.ok, plan.verdict.findings[:5]
    assert len(plan.verdict.delivered) == len(plan.layout.deposits) > 40
    for deposit, delivered in zip(plan.layout.deposits, plan.verdict.delivered, strict=True):
        assert delivered is not None
        assert delivered.volume_ul == approx(deposit.volume_ul, rel=0.05)


@pytest.mark.parametrize("side", Side)
def test_what_came_out_is_what_was_swept_less_what_is_stored(side: Side):
    verdict = plan_of(side).verdict
    assert verdict.out_ul == approx(verdict.swept_ul - verdict.stored_ul, rel=1e-6)
    laid_ul = sum(delivered.volume_ul for delivered in verdict.delivered if delivered is not None)
    assert laid_ul < verdict.out_ul  # the settling strip takes the rest


@pytest.mark.parametrize("bench", [name for name in example_names() if name != COARSE])
def test_every_example_bench_gets_a_verified_program_in_its_dialect(bench: str):
    plan = plan_of(Side.TOP, bench)
    assert plan.verdict.ok, [finding.what for finding in plan.verdict.findings[:5]]
    assert plan.program.suffix == (".ngc" if plan.profile.controller.dialect == "ngc" else ".gcode")


@pytest.mark.parametrize("side", Side)
def test_files_with_and_without_attributes_give_the_same_doses(side: Side):
    new, old = plan_of(side), plan_of(side, flavour="rs274x")
    new_doses = sorted(dose.target_ul for dose in new.doses if dose.target_ul > 0)
    old_doses = sorted(dose.target_ul for dose in old.doses if dose.target_ul > 0)
    # Inch files round places to 0.1 mil, which moves an area by up to 0.1 %.
    assert old_doses == approx(new_doses, rel=2e-3)


@pytest.mark.parametrize("side", Side)
def test_the_barrel_is_predicted_to_err_most_when_stiffness_or_flow_are_wrong(side: Side):
    scenarios = plan_of(side).scenarios
    true, *wrong = scenarios
    assert true.low > 0.95
    assert true.high < 1.05
    assert len(wrong) == 4
    for scenario in wrong:
        assert scenario.high - scenario.low > true.high - true.low


@pytest.mark.parametrize("side", Side)
def test_solder_and_masses_are_of_what_is_laid(side: Side):
    plan = plan_of(side)
    totals, paste = plan.record.totals, plan.profile.paste
    # Mass of the mixture and of its metal, from the parts of the paste: w·m is metal.
    metal_mg = totals.paste_mg * paste.metal_mass_fraction
    assert totals.solder_mg == approx(metal_mg, abs=2e-3)
    assert totals.solder_ul == approx(metal_mg / paste.alloy.density_g_cm3, abs=1e-4)
    flux_ul = (totals.paste_mg - metal_mg) / paste.flux_density_g_cm3
    assert totals.paste_ul == approx(totals.solder_ul + flux_ul, rel=1e-4)
    for pad in plan.record.pads:
        assert pad.solder_ul / max(pad.planned_ul, 1e-9) == approx(
            totals.solder_ul / totals.paste_ul if pad.deposits else 0.0, rel=1e-3
        )
    named = [pad for pad in plan.record.pads if pad.ref and pad.deposits]
    assert sum(part.pads for part in plan.record.parts) == len(named)
    assert sum(part.paste_mg for part in plan.record.parts) == approx(
        sum(pad.planned_mg for pad in named), abs=0.001 * len(named)
    )
    # The sweep is what lies on board and card, and what stays in the barrel under pressure.
    assert totals.strip_ul == approx(totals.barrel_sweep_ul - totals.paste_ul, rel=0.05)


def test_a_plan_is_the_same_each_time():
    first, second = plan_of(Side.BOTTOM), plan_of.__wrapped__(Side.BOTTOM)
    assert first.program.text == second.program.text
    assert first.record == second.record


def test_the_numbers_in_the_readme_are_those_of_the_demo():
    script = Path(__file__).parents[2] / "scripts" / "pictures.py"
    assert subprocess.run([sys.executable, script, "--check"], check=False).returncode == 0
