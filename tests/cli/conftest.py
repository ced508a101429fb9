"""The command line as a user meets it: arguments in; exit code, output and complaints out."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from tiny_board import write_tiny_board

import pastewright as pw
from pastewright.cli.app import main
from pastewright.demo.board import write_demo
from pastewright.profile.examples import DEMO, example_text


class Answer(NamedTuple):
    code: int
    out: str
    err: str


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Answer]:
    def answer(*words: object) -> Answer:
        monkeypatch.setattr(sys, "argv", ["pastewright", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err + captured.out
        code = left.value.code
        assert isinstance(code, int)
        return Answer(code, captured.out, captured.err)

    return answer


@pytest.fixture(scope="session")
def logger_files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo board's fabrication files."""
    folder = tmp_path_factory.mktemp("greenhouse-logger")
    write_demo(folder, "x2")
    return folder


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """The demo bench as a file that a test may change."""
    file = tmp_path / "bench.toml"
    file.write_text(example_text(DEMO), encoding="utf-8")
    return file


@pytest.fixture(scope="session")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the bench, and programs of both sides of the tiny board."""
    folder = tmp_path_factory.mktemp("tiny")
    bench = folder / "bench.toml"
    bench.write_text(f'{example_text("bench-reprap-e")}\n[run]\nhome = "G28"\nfind = "points"\n', "utf-8")
    stop = folder / "stop.toml"
    stop.write_text(f'{example_text("bench-reprap-e")}\n[run]\nhome = "G28"\n', "utf-8")
    write_tiny_board(folder / "board")
    for side in ("top", "bottom"):
        board = pw.read_board(folder / "board", side=side)
        pw.write_plan(pw.make_plan(board, pw.read_profile(bench)), folder / side)
    return folder
