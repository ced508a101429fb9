"""The fixture itself: units convert, and a wrong value does not agree."""

import tomllib
from pathlib import Path

import pytest


def test_a_case_agrees_with_its_source_and_not_with_a_wrong_value(check_value):
    case = check_value("ar-rect-1x05")
    length, width, foil = case.of("length", "mm"), case.of("width", "mm"), case.of("foil", "mm")
    ratio = length * width / (2 * foil * (length + width))
    assert case.external
    assert case.agrees(ratio)
    assert case.agrees_closely(ratio)
    assert not case.agrees(ratio * 1.01)
    assert not case.agrees_closely(ratio * 1.001)


def test_lists_convert_and_must_have_the_same_length(check_value):
    case = check_value("ar-round-100um")
    ratios = case.of("diameter", "mm") / (4 * case.of("foil", "mm"))
    assert case.agrees(ratios)
    assert not case.agrees(ratios[:-1])
    assert not case.agrees(ratios[::-1])


def test_an_answer_in_another_unit_is_converted_and_another_kind_refused(check_value):
    case = check_value("vol-per-microstep")  # 41.2825 nL
    assert case.agrees(0.0412825, "uL")
    assert not case.agrees(41.2825, "uL")
    with pytest.raises(ValueError, match="flow"):
        case.agrees(1.0, "uL/s")


def test_every_case_of_the_file_agrees_with_its_own_unrounded_answer(check_value):
    text = (Path(__file__).parent / "data" / "check-values.toml").read_text("utf-8")
    from_file = tomllib.loads(text)
    for raw in from_file["case"]:
        case = check_value(raw["id"])
        for name, given in case.inputs.items():
            case.of(name, given.unit)
        if case.tolerance_kind != "exact":
            assert case.agrees(case.computed), case.id
