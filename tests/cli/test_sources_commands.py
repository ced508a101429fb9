"""Drawings, tables, jobs and comparisons as a user meets them on the command line."""

from collections.abc import Callable
from pathlib import Path

import pytest

from pastewright.demo.formats.files import FORMATS


@pytest.fixture(scope="module")
def formats(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("formats")
    paths = {}
    for name, (file, make) in FORMATS.items():
        paths[name] = folder / name / file
        paths[name].parent.mkdir()
        paths[name].write_bytes(make())
    return paths


@pytest.mark.parametrize("name", list(FORMATS))
def test_every_format_is_looked_at_on_both_sides(run: Callable, formats: dict[str, Path], name: str):
    answer = run("look", formats[name])
    assert answer.code == 0
    assert "top side" in answer.out
    assert "bottom side" in answer.out


def test_a_drawing_is_planned_with_the_job_beside_it(
    run: Callable, formats: dict[str, Path], bench: Path, tmp_path: Path
):
    drawing = tmp_path / "logger.svg"
    drawing.write_bytes(formats["svg"].read_bytes())
    assert run("job", "new", drawing, "--side", "bottom").code == 0
    assert 'side = "bottom"' in (tmp_path / "job.toml").read_text()
    assert run("job", "new", drawing).code == 2  # it is there already
    assert run("job", "check", tmp_path / "job.toml").code == 0
    answer = run("plan", drawing, "--profile", bench, "--out", tmp_path / "out")
    assert answer.code == 0
    assert "bottom side" in answer.out  # the job said so
    assert run("plan", drawing, "--profile", bench, "--side", "top", "--out", tmp_path / "out").code == 2


def test_a_table_without_a_unit_is_asked_about_and_answered(run: Callable, tmp_path: Path):
    table = tmp_path / "pads.csv"
    table.write_text("x,y\n1,2\n3,4\n")
    assert "how large the paste is" in run("look", table).err
    assert "which unit" in run("look", table, "--columns", "diameter=0.8").err
    answer = run("look", table, "--columns", "diameter=0.8", "--units", "mm", "--side", "top")
    assert answer.code == 0
    assert "1.005 mm²" in answer.out  # 2·π/4·0.8²
    assert run("look", table, "--units", "furlong").code == 2


def test_two_formats_of_one_board_do_not_differ(
    run: Callable, formats: dict[str, Path], bench: Path, tmp_path: Path
):
    same = run("compare", formats["svg"], formats["dxf"], "--profile", bench)
    assert same.code in (0, 1)
    text = formats["svg"].read_text().splitlines()
    kept = [line for line in text if 'data-ref="R5"' not in line]
    assert len(kept) == len(text) - 2
    other = tmp_path / "next.svg"
    other.write_text("\n".join(kept))
    answer = run("compare", formats["svg"], other, "--profile", bench, "--out", tmp_path / "changes.svg")
    assert answer.code == 1
    assert "2 removed" in answer.out
    assert (tmp_path / "changes.svg").read_text().startswith("<svg")
    assert run("compare", formats["svg"], formats["svg"]).code == 0


@pytest.mark.parametrize(
    "words",
    [
        ("compare", "missing.svg", "missing.svg"),
        ("job", "new", "missing.svg"),
        ("job", "check", "missing.toml"),
    ],
)
def test_what_is_not_there_is_said(run: Callable, words: tuple[str, ...]):
    answer = run(*words)
    assert answer.code == 2
    assert answer.err
