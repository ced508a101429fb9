"""The verdict as a whole: right programs, their books, dry programs, other benches; and its independence."""

import ast
import re
from dataclasses import replace
from pathlib import Path

import pytest
from msgspec import structs
from verdicts import all_delivered

import pastewright.readback.judge.verify as verify_module
from pastewright.readback.judge.verify import case_of, verify
from pastewright.readback.judge.whatif import what_if
from pastewright.readback.model import Expected, ExpectedDeposit
from pastewright.readback.model import FindingKind as Kind
from pastewright.records.kinds import DepositKind

NAMES = ("reprap", "reprap-absolute", "reprap-checked", "ngc", "ngc-linear")


def kinds(verdict):
    return {finding.kind for finding in verdict.findings}


@pytest.mark.parametrize("name", NAMES)
def test_the_books_close(good, name):
    """Out = swept − stored, and what came out is the strip's paste and every dose."""
    case = good(name)
    verdict = verify(case.text, case.expected, case.profile)
    assert verdict.out_ul == pytest.approx(verdict.swept_ul - verdict.stored_ul, abs=1e-9)
    laid = sum(got.volume_ul for got in all_delivered(verdict))
    assert laid == pytest.approx(sum(deposit.volume_ul for deposit in case.expected.deposits), rel=0.01)
    assert verdict.out_ul > laid
    # By hand: all E words of the program add up to 0.631948 mm, over 100 mm²; the slack is crossed at both ends.
    assert verdict.swept_ul == pytest.approx(63.195, abs=0.01)


def test_all_dialects_say_the_same(good):
    verdicts = [verify(good(name).text, good(name).expected, good(name).profile) for name in NAMES]
    for verdict in verdicts[1:]:
        assert verdict.machine_s == pytest.approx(verdicts[0].machine_s, rel=1e-3)
        for got, first in zip(all_delivered(verdict), all_delivered(verdicts[0]), strict=True):
            assert got.volume_ul == pytest.approx(first.volume_ul, rel=2e-3)


def test_each_deposit_is_found_at_its_line(good):
    case = good("reprap")
    lines = case.text.split("\n")
    for got, wanted in zip(
        all_delivered(verify(case.text, case.expected, case.profile)), case.expected.deposits, strict=True
    ):
        x, y = wanted.points_mm[0]
        above = "\n".join(lines[: got.line])
        last = re.findall(r"X(\S+) Y(\S+)", above)[-1]
        assert (float(last[0]) - 50, float(last[1]) - 50) == pytest.approx((x, y))
        assert got.peak_kpa > 18  # by hand: P_y = 4·12·0.15/0.4 kPa


def test_the_order_of_deposits_and_the_end_of_beads_mean_nothing(good):
    case = good("reprap")
    backwards = Expected(
        deposits=tuple(
            structs.replace(d, points_mm=d.points_mm[::-1]) for d in reversed(case.expected.deposits)
        )
    )
    assert verify(case.text, backwards, case.profile).ok


def test_a_wrong_expectation_is_a_wrong_program(good):
    case = good("reprap")
    first, *others = case.expected.deposits
    for wrong in (
        structs.replace(first, volume_ul=first.volume_ul * 1.1),
        structs.replace(first, points_mm=((1.0, 1.2),)),
        structs.replace(first, kind="bead", points_mm=((1.0, 1.0), (1.0, 2.0))),
    ):
        assert not verify(case.text, Expected(deposits=(wrong, *others)), case.profile).ok
    extra = ExpectedDeposit(kind=DepositKind.DOT, points_mm=((9.0, 9.0),), volume_ul=0.1, pad_ids=("X1",))
    verdict = verify(case.text, Expected(deposits=(*case.expected.deposits, extra)), case.profile)
    assert kinds(verdict) == {Kind.MISSING}
    assert verdict.delivered[-1] is None
    assert verdict.findings[0].pad_id == "X1"
    fewer = verify(case.text, Expected(deposits=case.expected.deposits[1:]), case.profile)
    assert kinds(fewer) == {Kind.STRAY}


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        (lambda p: replace(p, machine=replace(p.machine, x_max_mm=55)), Kind.LIMITS),
        (lambda p: replace(p, machine=replace(p.machine, speed_xy_mm_s=40)), Kind.SPEED),
        (lambda p: replace(p, bed=replace(p.bed, clearance_mm=3)), Kind.LOW_TRAVEL),
        (lambda p: replace(p, bed=replace(p.bed, board_z_mm=10.19, clearance_mm=1.81)), Kind.STANDOFF),
        (lambda p: replace(p, bed=replace(p.bed, board_x_mm=50.2)), Kind.PLACE),
        (lambda p: replace(p, bed=replace(p.bed, strip_y_mm=42)), Kind.STRAY),
        (lambda p: replace(p, bed=replace(p.bed, park_x_mm=0)), Kind.END),
        (lambda p: replace(p, barrel=replace(p.barrel, fill_ul=60)), Kind.STROKE),
        (lambda p: replace(p, plunger=replace(p.plunger, stroke_mm=0.5)), Kind.STROKE),
        (lambda p: replace(p, plunger=replace(p.plunger, speed_mm_s=0.05)), Kind.SPEED),
        (lambda p: replace(p, plunger=replace(p.plunger, torque_nm=1e-5)), Kind.FORCE),
        (lambda p: replace(p, barrel=replace(p.barrel, limit_kpa=200)), Kind.FORCE),
        (lambda p: replace(p, plunger=replace(p.plunger, sign=-1)), Kind.MISSING),
        (lambda p: replace(p, plunger=replace(p.plunger, backlash_mm=0.06)), Kind.VOLUME),
        (lambda p: replace(p, tuning=replace(p.tuning, bubble_ul=30)), Kind.VOLUME),
        (lambda p: replace(p, tuning=replace(p.tuning, gain=0.9)), Kind.VOLUME),
        (lambda p: replace(p, tip=replace(p.tip, length_mm=20)), Kind.VOLUME),
    ],
)
def test_the_right_program_is_wrong_on_another_bench(good, change, kind):
    case = good("reprap")
    assert kind in kinds(verify(case.text, case.expected, change(case.profile)))


# -- dry ---------------------------------------------------------------------------------------------------


def dry_text(text):
    lines = [re.sub(r"(G1.*) E\S+", r"\1", line) for line in text.split("\n")]
    return "\n".join(line for line in lines if not re.match(r"G1 Z10|G1 F", line))


def test_a_dry_program_moves_no_plunger_and_never_lowers(good):
    case = good("reprap")
    dry = replace(case.expected, dry=True)
    assert verify(dry_text(case.text), dry, case.profile).ok
    assert kinds(verify(case.text, dry, case.profile)) == {Kind.DRY}
    lowered = dry_text(case.text).replace("G1 X53.000 Y51.000 F3000", "G1 X53.000 Y51.000 F3000\nG1 Z11")
    assert Kind.DRY in kinds(verify(lowered, dry, case.profile))
    lost = dry_text(case.text).replace("G1 X53.000 Y51.000 F3000\n", "")
    assert Kind.MISSING in kinds(verify(lost, dry, case.profile))
    assert not verify(dry_text(case.text), case.expected, case.profile).ok


# -- what stands in the report --------------------------------------------------------------------------


def test_the_trace_is_short_and_in_order(good):
    case = good("reprap")
    verdict = verify(case.text, case.expected, case.profile)
    times = [time for time, _, _ in verdict.trace]
    assert 20 < len(times) <= 2000
    assert times == sorted(times)
    assert max(pressure for _, pressure, _ in verdict.trace) >= max(
        got.peak_kpa for got in all_delivered(verdict)
    )


def test_a_softer_bench_lays_more_of_a_retracted_dot_and_thinner_paste_less(good):
    """A softer bench keeps more paste under pressure, which then goes on flowing; thin paste leaves earlier,
    and the same retraction takes too much back. Truth is judged elsewhere; here, direction and first case.
    """
    case = good("reprap")
    as_told, soft, hard, thin, thick = what_if(case_of(case.text, case.expected, case.profile))
    assert as_told.deposits == 6
    assert 0.98 < as_told.low <= as_told.median <= as_told.high < 1.02
    assert hard.first < 0.9 < 1.1 < soft.first
    assert thin.first < 0.9 < 1.1 < thick.first


def test_what_if_looks_at_the_first_deposits_only(good):
    case = good("reprap")
    assert what_if(case_of(case.text, case.expected, case.profile), most_deposits=2)[0].deposits == 2
    assert what_if(case_of("", case.expected, case.profile)) == ()


def test_findings_of_one_kind_are_counted_beyond_a_hundred(good):
    case = good("reprap")
    verdict = verify("G1 Q1\n" * 500, case.expected, case.profile)
    unknown = [finding for finding in verdict.findings if finding.kind == Kind.UNKNOWN_WORD]
    assert len(unknown) == 101
    assert "400 more" in unknown[-1].what


# -- independence --------------------------------------------------------------------------------------------


def test_the_second_opinion_shares_no_code_with_the_writer():
    folder = Path(verify_module.__file__).parents[1]
    allowed = {
        "board.model",
        "compiled",
        "distinct",  # which values there are, as numpy has it: a tool as `compiled` is
        "materials.model",
        "near",  # places near others, a tool as `compiled` is: checked against a tree of another library
        "problems",
        "profile.model",
        "profile.off",
        "readback",
    }
    allowed |= {
        "records.kinds",
        "records.placement",
        "records.plan",
        "records.thrown",
        "records.probing",
        "records.inspection",
    }  # what the plan says, as values
    seen = set()
    for file in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = (
                [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else []
            )
            for name in names:
                if name.startswith("pastewright."):
                    part = name.removeprefix("pastewright.")
                    seen.add(part)
                    assert part in allowed or part.split(".")[0] == "readback", f"{file.name} imports {name}"
    assert {"profile.model", "profile.off"} <= seen
