"""What a program is, as the file beside it says."""

import pytest
from plan_records import plan_data, plan_record

from pastewright.problems import InputError
from pastewright.records.companion import kind_of_text
from pastewright.records.kinds import ProgramKind
from pastewright.records.plan import plan_of_data, plan_text
from pastewright.records.reading import record_text
from pastewright.records.sheet import FORMAT, VERSION, SheetRecord


def test_a_plan_says_that_it_is_of_a_board_and_a_sheet_that_it_is_a_sheet():
    assert kind_of_text(plan_text(plan_record([]))) is ProgramKind.BOARD
    touch_up = plan_of_data({**plan_data([]), "kind": "touch-up"})
    assert kind_of_text(plan_text(touch_up)) is ProgramKind.TOUCH_UP
    sheet = SheetRecord(format=FORMAT, version=VERSION, rows=6, columns=6, pitch_mm=3.0)
    assert kind_of_text(record_text(sheet)) is ProgramKind.TUNING_SHEET


def test_plans_of_earlier_versions_are_of_boards():
    old = {name: value for name, value in plan_data([]).items() if name != "kind"}
    assert plan_of_data(old).kind is ProgramKind.BOARD
    assert kind_of_text('{"format": 1}') is ProgramKind.BOARD


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"kind": "song"}', '{"format": 2}', "[" * 100_000])
def test_other_files_are_refused(text):
    with pytest.raises(InputError) as caught:
        kind_of_text(text, file="x.json")
    assert caught.value.problems[0].file == "x.json"
