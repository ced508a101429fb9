"""The command line as a user meets it: arguments in; exit code, output and complaints out."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

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
