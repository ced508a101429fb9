"""A plan's record to what must be laid, or everything in which it contradicts itself."""

import copy

import pytest
from plan_records import pad_data, place_data, plan_data, plan_record

from pastewright.problems import InputError
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.records.plan import plan_of_data


def dot(number, x, volume):
    points = [[x, 1.0]]
    return {"id": number, "kind": "dot", "points_mm": points, "volume_ul": volume, "total_ul": volume}


def share(volume):
    points = [[0.0, 0.0], [3.0, 0.0]]
    return {"id": 1, "kind": "bead", "points_mm": points, "volume_ul": volume, "total_ul": 0.9}


PLAN = plan_data(
    [
        pad_data("R1-1", [dot(2, 5.0, 0.2)]),
        pad_data("U1-1", [share(0.4)]),
        pad_data("U1-2", [share(0.5)]),
        pad_data("C1-1", [dot(0, 7.0, 0.1), dot(3, 8.0, 0.1)]),
        pad_data("TP1", []),
    ]
)


def expected(plan, file="plan.json"):
    return expected_from_plan(plan_of_data(plan), file=file)


def test_a_shared_bead_is_one_deposit_of_two_pads():
    found = expected(PLAN)
    assert [deposit.volume_ul for deposit in found.deposits] == [0.1, 0.9, 0.2, 0.1]  # in the order of ids
    assert found.deposits[1].pad_ids == ("U1-1", "U1-2")
    assert found.deposits[1].points_mm == ((0.0, 0.0), (3.0, 0.0))
    assert not found.dry


def test_dry_is_taken_over():
    assert expected({**PLAN, "dry": True}).dry


def test_pads_of_a_tray_are_on_the_board_they_name():
    pads = [
        pad_data("A/R1-1", [dot(0, 1.0, 0.1)], board="A"),
        pad_data("B/R1-1", [dot(1, 1.0, 0.1)], board="B"),
    ]
    boards = [place_data("A"), place_data("B", (120.0, 50.0))]
    found = expected_from_plan(plan_record(pads, placement={"boards": boards}))
    assert [deposit.board for deposit in found.deposits] == [0, 1]
    with pytest.raises(InputError, match="on board 'B', which is not placed"):
        expected_from_plan(plan_record(pads, placement={"boards": boards[:1]}))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: p["pads"].append(p["pads"][0]), "listed twice"),
        (lambda p: p["pads"][0]["deposits"][0].update(points_mm=[[1, 2], [3, 4]]), "1 point"),
        (lambda p: p["pads"][1]["deposits"][0].update(points_mm=[[1, 2]]), "2 points"),
        (lambda p: p["pads"][1]["deposits"][0].update(points_mm=[[0, 0], [4, 0]]), "differs"),
        (lambda p: p["pads"][1]["deposits"][0].update(volume_ul=0.1), "add up to"),
    ],
)
def test_what_contradicts_itself_is_named(change, says):
    plan = copy.deepcopy(PLAN)
    change(plan)
    with pytest.raises(InputError) as caught:
        expected(plan, file="my.json")
    assert says in str(caught.value)
    assert "my.json" in str(caught.value)


def test_all_contradictions_are_named_at_once():
    plan = copy.deepcopy(PLAN)
    plan["pads"][0]["deposits"][0]["points_mm"] = [[1, 2], [3, 4]]
    plan["pads"][1]["deposits"][0]["volume_ul"] = 0.1
    plan["pads"].append(plan["pads"][4])
    with pytest.raises(InputError) as caught:
        expected(plan)
    assert len(caught.value.problems) == 3
