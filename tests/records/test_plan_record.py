"""plan.json as a record: what is written comes back, and what is wrong is told with its place."""

import copy
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_records import pad_data, plan_data

from pastewright.problems import InputError
from pastewright.records.faults import MOST_FAULTS
from pastewright.records.plan import PlanRecord, plan_of_data, plan_of_text, plan_schema, plan_text

DOT = {"id": 2, "kind": "dot", "points_mm": [[5.0, 1.0]], "volume_ul": 0.2, "total_ul": 0.2}
BEAD = {"id": 1, "kind": "bead", "points_mm": [[0.0, 0.0], [3.0, 0.0]], "volume_ul": 0.9, "total_ul": 0.9}
PLAN = plan_data([pad_data("R1-1", [DOT]), pad_data("U1-1", [BEAD]), pad_data("TP1", [])])
SCHEMA = Path(__file__).parents[2] / "docs" / "plan.schema.json"


def told(data) -> str:
    with pytest.raises(InputError) as caught:
        plan_of_data(data, file="my.json")
    return "\n".join(problem.what for problem in caught.value.problems)


def kept(data, written) -> bool:
    """Whether all that was told is written, at the same place; parts that were not told may stand beside it."""
    if isinstance(data, dict):
        return all(name in written and kept(value, written[name]) for name, value in data.items())
    if isinstance(data, list):
        return len(data) == len(written) and all(map(kept, data, written))
    return data == written


def test_what_is_written_comes_back():
    plan = plan_of_data(PLAN)
    assert plan_of_text(plan_text(plan)) == plan
    assert kept(json.loads(json.dumps(PLAN)), json.loads(plan_text(plan)))
    assert not kept({"a": [1, {"b": 2}]}, {"a": [1, {"b": 3}], "c": 4})


def test_the_schema_in_the_docs_is_that_of_the_record():
    # `make docs` writes it.
    assert json.loads(SCHEMA.read_text(encoding="utf-8")) == json.loads(json.dumps(plan_schema()))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: p.update(format=2), '"format" is 2; it must be 1'),
        (lambda p: p.update(dry="no"), '"dry" is "no"; it must be true or false'),
        (lambda p: p.pop("pads"), '"pads" is missing'),
        (lambda p: p.update(colour="red"), '"colour" is not known here'),
        (lambda p: p["pads"][0].pop("id"), 'in pads 1: "id" is missing'),
        (lambda p: p["pads"][0].update(id=""), '"id" is ""; it must be text that is not empty'),
        (lambda p: p["pads"].__setitem__(0, 7), "in pads 1: this is 7; it must be a table of named values"),
        (
            lambda p: p["pads"][0].update(deposits=None),
            'in pads 1 (R1-1): "deposits" is null; it must be a list',
        ),
        (
            lambda p: p["pads"][0]["deposits"][0].update(kind="blob"),
            'in pads 1 (R1-1), deposits 1: "kind" is "blob"; it must be dot or bead',
        ),
        (lambda p: p["pads"][0]["deposits"][0].update(volume_ul=-1), "a number above 0"),
        (lambda p: p["pads"][0]["deposits"][0].update(volume_ul=float("nan")), '"volume_ul" is NaN'),
        (lambda p: p["pads"][0]["deposits"][0].update(volume_ul=10**400), "a number above 0"),
        (lambda p: p["pads"][0]["deposits"][0].update(volume_ul=True), '"volume_ul" is true'),
        (lambda p: p["pads"][0]["deposits"][0].update(points_mm=[]), "a list of 1 or more"),
        (
            lambda p: p["pads"][0]["deposits"][0].update(points_mm=[[1]]),
            '"points_mm 1" is [1]; it must be a list of 2',
        ),
        (lambda p: p["pads"][0]["deposits"][0].update(id=1.5), "a whole number of at least 0"),
        (lambda p: p["profile"].update(plunger_letter="ex"), "text of another form"),
        (lambda p: p["board"].update(name="\ud800"), "it must be text"),
        (lambda p: p["board"].update(name=3), 'in board: "name" is 3; it must be text'),
    ],
)
def test_what_is_wrong_is_told_with_its_place_and_what_it_must_be(change, says):
    plan = copy.deepcopy(PLAN)
    change(plan)
    assert says in told(plan)


def test_all_that_is_wrong_is_told_at_once_up_to_a_limit():
    plan = copy.deepcopy(PLAN)
    plan["format"] = 3
    plan["pads"][0]["deposits"][0]["kind"] = "x"
    plan["pads"][1]["deposits"][0]["volume_ul"] = 0
    assert len(told(plan).splitlines()) == 3
    plan["pads"] = [{}] * 50
    assert len(told(plan).splitlines()) == MOST_FAULTS + 1


def test_text_that_is_no_json_is_told_with_its_line():
    with pytest.raises(InputError) as caught:
        plan_of_text('{\n"format": 1,\n}', file="my.json")
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == ("my.json", 3)


@pytest.mark.parametrize("text", ["[" * 100_000, "1" * 5000, "", "null", "[]", '{"format": 1e999}', "\ud800"])
def test_text_that_no_program_of_ours_wrote_is_refused(text):
    with pytest.raises(InputError):
        plan_of_text(text)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["pads", "id", "deposits", "kind", "points_mm", "format", "volume_ul"]),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(st.data())
def test_any_broken_leaf_is_a_plan_or_is_told_the_same_as_text_and_as_data(data):
    plan = json.loads(json.dumps(PLAN))
    pad = data.draw(st.sampled_from(plan["pads"]))
    where = data.draw(st.sampled_from([plan, plan["board"], plan["totals"], pad, *pad["deposits"]]))
    where[data.draw(st.sampled_from(sorted(where)))] = data.draw(JSON)
    answers: list[PlanRecord | list[str]] = []
    for read in (plan_of_data, lambda broken: plan_of_text(json.dumps(broken))):
        try:
            answers.append(read(plan))
        except InputError as error:
            assert error.problems
            answers.append([problem.what for problem in error.problems])
    assert answers[0] == answers[1]
