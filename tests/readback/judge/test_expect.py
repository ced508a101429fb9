"""Reading a plan: what must be laid, or everything that is wrong with the file at once."""

import copy
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.problems import InputError
from pastewright.readback.judge.expect import expected_from_plan


def dot(number, x, volume):
    return {
        "id": number,
        "kind": "dot",
        "points_mm": [[x, 1.0]],
        "volume_ul": volume,
        "total_ul": volume,
        "line": 7,
    }


def share(volume):
    points = [[0.0, 0.0], [3.0, 0.0]]
    return {"id": 1, "kind": "bead", "points_mm": points, "volume_ul": volume, "total_ul": 0.9, "line": 9}


PLAN = {
    "format": 1,
    "dry": False,
    "pads": [
        {"id": "R1-1", "deposits": [dot(2, 5.0, 0.2)]},
        {"id": "U1-1", "deposits": [share(0.4)]},
        {"id": "U1-2", "deposits": [share(0.5)]},
        {"id": "C1-1", "deposits": [dot(0, 7.0, 0.1), dot(3, 8.0, 0.1)]},
        {"id": "TP1", "deposits": []},
    ],
}


def test_a_shared_bead_is_one_deposit_of_two_pads():
    expected = expected_from_plan(PLAN)
    assert [deposit.volume_ul for deposit in expected.deposits] == [0.1, 0.9, 0.2, 0.1]  # in the order of ids
    assert expected.deposits[1].pad_ids == ("U1-1", "U1-2")
    assert expected.deposits[1].points_mm == ((0.0, 0.0), (3.0, 0.0))
    assert not expected.dry


def test_dry_is_taken_over():
    assert expected_from_plan({**PLAN, "dry": True}).dry


def test_a_plan_without_ids_counts_each_deposit():
    plan = copy.deepcopy(PLAN)
    for pad in plan["pads"]:
        for deposit in pad["deposits"]:
            del deposit["id"], deposit["total_ul"]
    assert [deposit.volume_ul for deposit in expected_from_plan(plan).deposits] == [0.2, 0.4, 0.5, 0.1, 0.1]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: p.update(format=2), '"format" is 2'),
        (lambda p: p.update(dry="no"), '"dry" must be true or false'),
        (lambda p: p.pop("pads"), '"pads" must be a list'),
        (lambda p: p["pads"][0].pop("id"), "pads[0]"),
        (lambda p: p["pads"][0].update(deposits=None), "pads[0]"),
        (lambda p: p["pads"].append(p["pads"][0]), "listed twice"),
        (lambda p: p["pads"][0]["deposits"][0].update(kind="blob"), "'blob'"),
        (lambda p: p["pads"][0]["deposits"][0].update(volume_ul=-1), "above zero"),
        (lambda p: p["pads"][0]["deposits"][0].update(volume_ul=float("nan")), "above zero"),
        (lambda p: p["pads"][0]["deposits"][0].update(volume_ul=10**400), "above zero"),
        (lambda p: p["pads"][0]["deposits"][0].update(volume_ul=True), "above zero"),
        (lambda p: p["pads"][0]["deposits"][0].update(points_mm=[[1]]), "points_mm"),
        (lambda p: p["pads"][0]["deposits"][0].update(points_mm=[[1, 2], [3, 4]]), "1 point"),
        (lambda p: p["pads"][1]["deposits"][0].update(points_mm=[[1, 2]]), "2 points"),
        (lambda p: p["pads"][0]["deposits"][0].update(id=1.5), "whole number"),
        (lambda p: p["pads"][1]["deposits"][0].update(points_mm=[[0, 0], [4, 0]]), "differs"),
        (lambda p: p["pads"][1]["deposits"][0].update(volume_ul=0.1), "add up to"),
    ],
)
def test_what_is_wrong_is_named(change, says):
    plan = copy.deepcopy(PLAN)
    change(plan)
    with pytest.raises(InputError) as caught:
        expected_from_plan(plan, file="my.json")
    assert says in str(caught.value)
    assert "my.json" in str(caught.value)


def test_all_that_is_wrong_is_named_at_once():
    plan = copy.deepcopy(PLAN)
    plan["format"] = 3
    plan["pads"][0]["deposits"][0]["kind"] = "x"
    plan["pads"][3]["deposits"][0]["volume_ul"] = 0
    with pytest.raises(InputError) as caught:
        expected_from_plan(plan)
    assert len(caught.value.problems) == 3


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["pads", "id", "deposits", "kind", "points_mm", "format", "volume_ul", "total_ul"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(JSON)
def test_any_data_is_a_plan_or_an_input_error(data):
    try:
        expected_from_plan(data)
    except InputError as error:
        assert error.problems


@given(st.data())
def test_any_broken_leaf_is_a_plan_or_an_input_error(data):
    plan = json.loads(json.dumps(PLAN))
    pad = data.draw(st.sampled_from(plan["pads"]))
    where = data.draw(st.sampled_from([plan, pad, *pad["deposits"]]))
    where[data.draw(st.sampled_from(sorted(where)))] = data.draw(JSON)
    try:
        expected_from_plan(plan)
    except InputError as error:
        assert error.problems
