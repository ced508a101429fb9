"""A program, its companion or their folder: what is meant by each."""

import pytest

from pastewright.problems import InputError
from pastewright.work.running.choice import program_meant


@pytest.mark.parametrize(
    ("companion", "program"),
    [("plan.json", "program.gcode"), ("plan.json", "program.ngc"), ("sheet.json", "sheet.gcode")],
)
def test_a_folder_and_a_companion_mean_the_program_beside_them(tmp_path, companion, program):
    for name in (companion, program, "weigh.gcode"):
        (tmp_path / name).write_text("", "utf-8")
    assert program_meant(tmp_path) == program_meant(tmp_path / companion) == tmp_path / program
    assert program_meant(tmp_path / "weigh.gcode") == tmp_path / "weigh.gcode"


@pytest.mark.parametrize("names", [(), ("plan.json",), ("plan.json", "program.gcode", "program.ngc")])
def test_none_or_several_are_refused(tmp_path, names):
    for name in names:
        (tmp_path / name).write_text("", "utf-8")
    with pytest.raises(InputError, match="no program here, or more than one"):
        program_meant(tmp_path)
