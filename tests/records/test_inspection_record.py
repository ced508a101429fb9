"""inspection.json as a record: what is written comes back, and what is wrong is told with its place."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from pastewright.problems import InputError
from pastewright.records.inspection import inspection_of_text, inspection_schema, inspection_text

SCHEMA = Path(__file__).parents[2] / "docs" / "inspection.schema.json"


def data() -> dict:
    row = {
        "id": 0, "board": "", "pad": "R1-1", "ref": "R1", "pin": "1", "pad_kind": "surface", "form": "dot",
        "kind": "dot", "x_mm": 1.0, "y_mm": 2.0, "verdict": "missing", "why": "no paste", "wipe": False,
        "planned_ul": 0.05, "planned_area_mm2": 0.3,
    }  # fmt: skip
    return {
        "format": "pastewright inspection",
        "version": 1,
        "made_by": "by hand",
        "board": "logger",
        "side": "top",
        "plan_file": "plan.json",
        "plan_sha256": "0" * 64,
        "limits": {
            "least_volume": 0.5,
            "most_volume": 1.5,
            "least_on_pad": 0.75,
            "most_offset": 0.3,
            "least_gap_mm": 0.1,
        },
        "photos": [],
        "deposits": [row],
    }


def test_what_is_written_comes_back_and_keeps_to_the_schema():
    inspection = inspection_of_text(json.dumps(data()))
    assert inspection_of_text(inspection_text(inspection)) == inspection
    written = json.loads(inspection_text(inspection))
    Draft202012Validator(inspection_schema()).validate(written)
    assert written["deposits"][0]["pad"] == "R1-1"
    assert written["deposits"][0]["volume_ul"] is None


def test_the_schema_in_the_docs_is_that_of_the_record():
    # `make docs` writes it.
    assert json.loads(SCHEMA.read_text("utf-8")) == json.loads(json.dumps(inspection_schema()))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d["deposits"][0].update(verdict="fine"), "deposits 1"),
        (lambda d: d.update(kind="board"), '"kind" is "board"'),
        (lambda d: d["deposits"][0].pop("planned_ul"), '"planned_ul" is missing'),
    ],
)
def test_what_is_wrong_is_told(change, says):
    wrong = data()
    change(wrong)
    with pytest.raises(InputError) as caught:
        inspection_of_text(json.dumps(wrong))
    assert says in str(caught.value)


@pytest.mark.parametrize("format_", ["1", '"pastewright plan"'])
def test_a_file_of_another_kind_is_told_as_such_and_not_field_by_field(format_):
    with pytest.raises(InputError) as refused:
        inspection_of_text(f'{{"format": {format_}, "pads": [], "totals": {{}}}}', file="plan.json")
    (problem,) = refused.value.problems
    assert "another kind" in problem.what
    assert "pastewright inspect" in problem.mend
