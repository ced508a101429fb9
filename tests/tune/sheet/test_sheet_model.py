"""The sheet as a value, its file, and whether its odd dots can be mistaken."""

import itertools
import json

import pytest
from rendered_photos import make_sheet

from pastewright.problems import InputError
from pastewright.records.sheet import sheet_of_data, sheet_text
from pastewright.tune.sheet.model import (
    Role,
    SheetBead,
    odd_places,
    read_sheet,
    sheet_of,
    sheet_record,
    write_sheet,
)


def test_a_sheet_comes_back_from_its_file_as_it_was(tmp_path):
    from dataclasses import replace

    sheet = replace(
        make_sheet(),
        beads=(SheetBead(index=500, path_mm=((0.0, 1.0), (2.5, 1.0)), dose_ul=0.4, tip_mm_s=5.0),),
        process={"tip": {"bore_mm": 0.26}, "strokes": [1, 2]},
    )
    write_sheet(sheet, tmp_path / "sheet.json")
    assert read_sheet(tmp_path / "sheet.json") == sheet


def test_a_sheet_knows_its_odd_dots_its_lattice_and_its_volume():
    sheet = make_sheet(rows=7, columns=8)
    assert len(sheet.odd) == 3
    assert len(sheet.lattice) == 56
    assert sheet.origin_mm == pytest.approx((40, 25))
    assert sheet.dots_ul == pytest.approx(sum(dot.dose_ul for dot in sheet.dots))


@pytest.mark.parametrize(("rows", "columns"), list(itertools.product((6, 7, 9, 12), (6, 8, 9, 13))))
def test_no_turn_of_the_sheet_brings_two_odd_dots_onto_odd_places(rows, columns):
    """Every turn and mirror image, at every shift that keeps half of the dots on dots: exact, in half steps."""
    odd = {(round(2 * column), round(2 * row)) for row, column in odd_places(rows, columns)}
    lattice = {(2 * column, 2 * row) for row in range(rows) for column in range(columns)}

    def turned(points, turn, mirrored):
        for x, y in points:
            x = -x if mirrored else x
            for _ in range(turn):
                x, y = -y, x
            yield x, y

    for turn, mirrored in itertools.product(range(4), (False, True)):
        for dx, dy in itertools.product(range(-4 * columns, 4 * columns + 1, 2), repeat=2):
            if (turn, mirrored, dx, dy) == (0, False, 0, 0):
                continue
            met = odd & {(x + dx, y + dy) for x, y in turned(odd, turn, mirrored)}
            if len(met) < 2:
                continue
            kept = lattice & {(x + dx, y + dy) for x, y in turned(lattice, turn, mirrored)}
            if len(kept) >= len(lattice) / 2:
                assert mirrored, (turn, dx, dy)
                assert len(met) < 3


@pytest.mark.parametrize(("rows", "columns"), [(6, 6), (9, 10)])
def test_odd_dots_keep_more_than_a_pitch_away_from_every_other_dot(rows, columns):
    for row, column in odd_places(rows, columns):
        gaps = [
            ((row - other_row) ** 2 + (column - other_column) ** 2) ** 0.5
            for other_row in range(rows)
            for other_column in range(columns)
        ]
        assert min(gaps) > 1.1


def _broken(change):
    data = json.loads(sheet_text(sheet_record(make_sheet())))
    change(data)
    return data


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda data: data.update(format="something"), 'its format is "something"'),
        (lambda data: data.update(version=7), '"version" is 7; it must be 1'),
        (lambda data: data.update(rows="nine"), '"rows" is "nine"'),
        (lambda data: data.update(pitch_mm=float("nan")), '"pitch_mm" is NaN'),
        (lambda data: data.update(pitch_mm=-3), "above zero"),
        (lambda data: data.update(dots="many"), '"dots" is "many"; it must be a list'),
        (lambda data: data["dots"].pop(), "2 dots have the role odd"),
        (lambda data: data["dots"][4].update(role="big"), 'in dots 5: "role" is "big"'),
        (lambda data: data["dots"][4].update(dose_ul=0), "dot 4 has a dose of 0"),
        (lambda data: data["dots"][4].update(x_mm=77), "not at its row and column"),
        (lambda data: data["dots"][4].update(index=3), "share one index"),
        (lambda data: data["dots"][4].update(column=3), "share one row and column"),
        (lambda data: data["dots"][-1].update(x_mm=40, y_mm=25), "lies on the lattice"),
        (lambda data: data["dots"].__setitem__(0, 5), "in dots 1: this is 5; it must be a table"),
        (lambda data: data.update(beads=[{"index": 900, "path_mm": [[1]]}]), 'in beads 1: "path_mm"'),
        (lambda data: data.update(process=[1]), '"process" is [1]; it must be a table'),
    ],
)
def test_a_malformed_sheet_is_refused_with_the_place_of_the_fault(change, words):
    with pytest.raises(InputError) as error:
        sheet_of(sheet_of_data(_broken(change), file="sheet.json"), file="sheet.json")
    assert words in str(error.value)
    assert all(problem.file == "sheet.json" for problem in error.value.problems)


def test_every_fault_of_a_sheet_is_told_at_once():
    def change(data):
        data["rows"] = None
        data["dots"][1]["x_mm"] = "left"
        data["dots"][2]["role"] = 3

    with pytest.raises(InputError) as error:
        sheet_of(sheet_of_data(_broken(change)))
    assert len(error.value.problems) == 3


@pytest.mark.parametrize("content", [b"", b"{", b"[1, 2]", b"\xff\xd8\xff\xe0\x00", b"[" * 100_000])
def test_a_file_that_is_no_sheet_gets_a_message(tmp_path, content):
    path = tmp_path / "sheet.json"
    path.write_bytes(content)
    with pytest.raises(InputError):
        read_sheet(path)


def test_a_missing_sheet_gets_a_message(tmp_path):
    with pytest.raises(InputError, match=r"sheet\.json"):
        read_sheet(tmp_path / "sheet.json")


def test_roles_are_spelled_as_in_the_file():
    assert Role("odd") is Role.ODD
