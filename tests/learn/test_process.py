"""Rows of many made-up boards, and what is said of the process; where faults were planted, they are named."""

from dataclasses import replace

import numpy as np
import pytest

from pastewright.learn.advice import advice
from pastewright.learn.findings import FoundDeposit, found_in_table
from pastewright.learn.process import process_of
from pastewright.problems import InputError
from pastewright.records.kinds import DepositVerdict

BOARDS = 20


def deposits(
    *, mean: float = 1.0, sigma: float = 0.06, an_hour: float = 0.0, seed: int = 1
) -> list[FoundDeposit]:
    """Twenty boards of ten parts with four dots each, a quarter of an hour apart."""
    rng = np.random.default_rng(seed)
    return [
        FoundDeposit(
            board=f"GH-{board:03d}",
            kind="dot",
            ref=f"C{part}",
            pad=f"C{part}-{pin}",
            state=DepositVerdict.GOOD,
            share=float(mean + an_hour * 0.25 * board + rng.normal(0, sigma)),
            age_h=0.25 * board,
        )
        for board in range(BOARDS)
        for part in range(10)
        for pin in range(4)
    ]


def test_a_good_process_is_called_capable_and_its_interval_holds_the_truth():
    told = process_of(deposits())
    (one,) = told.classes
    assert one.able is not None
    truth = 0.5 / (3 * 0.06)
    assert one.able.cpk_low < truth < one.able.cpk_high
    assert one.cp_low < one.able.cp < one.cp_high
    assert advice(told) == ("all classes are capable, and nothing drifts: go on",)


def test_an_off_centre_process_is_told_to_correct_its_mean_not_its_spread():
    told = process_of(deposits(mean=0.68))
    assert any("the mean lies at 68%" in words for words in advice(told))


def test_a_wide_process_is_told_so():
    assert any("single deposits spread by" in words for words in advice(process_of(deposits(sigma=0.25))))


def test_what_was_not_seen_is_neither_good_nor_bad():
    rows = deposits()
    half = [
        replace(row, state=DepositVerdict.NOT_SEEN, share=None) if at % 2 else row
        for at, row in enumerate(rows)
    ]
    (one,) = process_of(half).classes
    assert one.not_seen == len(rows) // 2
    assert one.missing is not None
    assert one.missing.of == len(rows) - one.not_seen
    assert one.able is not None
    assert one.able.count == one.missing.of


def test_a_part_that_fails_is_named_first_and_its_rate_is_exact():
    rows = [
        replace(row, state=DepositVerdict.BRIDGED) if row.ref == "C7" and row.board < "GH-006" else row
        for row in deposits()
    ]
    told = process_of(rows)
    assert told.parts[0].ref == "C7"
    assert (told.parts[0].wrong.found, told.parts[0].wrong.of) == (24, 80)
    (one,) = told.classes
    assert one.bridged is not None
    assert one.bridged.low < 24 / 800 < one.bridged.high
    assert any(words.startswith("C7 fails on 24 of 80") for words in advice(told))


def test_a_drift_with_the_pastes_age_is_measured_and_charted():
    told = process_of(deposits(an_hour=-0.04))
    assert told.drift is not None
    assert told.drift.low < -0.04 < told.drift.high < 0
    assert any(chart.alarms for chart in told.charts)
    assert any("an hour of the paste's age" in words for words in advice(told))


def test_a_step_alarms_the_weighted_means_at_once():
    rows = [
        replace(row, share=row.share - 0.06) if row.board >= "GH-010" and row.share is not None else row
        for row in deposits()
    ]
    told = process_of(rows)
    ewma = next(chart for chart in told.charts if chart.name == "EWMA")
    assert ewma.alarms
    # Boards are told by their names, and what adds up over boards is a drift and no single event.
    (said,) = [words for words in advice(told) if words.startswith("EWMA")]
    assert said.startswith(f"EWMA: GH-{ewma.alarms[0].at:03d}")
    assert said.endswith("a drift: measure the witness row and correct")


def test_few_boards_draw_no_chart():
    assert process_of([row for row in deposits() if row.board < "GH-004"]).charts == ()


def test_every_faulty_line_of_a_table_is_told(tmp_path):
    path = tmp_path / "deposits.csv"
    path.write_text(
        "board,pad,state,planned_ul,volume_ul\nA,C1-1,good,0.1,x\nA,C1-2,fine,0.1,0.1\nA,C2-1,good,0.1,0.12\n"
    )
    with pytest.raises(InputError) as told:
        found_in_table(path)
    assert [problem.line for problem in told.value.problems] == [2, 3]
