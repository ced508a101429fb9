"""The smaller commands, and what holds for all of them."""

import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from pastewright.profile.examples import example_names
from pastewright.profile.read import read_profile

DOCS = Path(__file__).parents[2]


def test_help_answers_without_loading_the_heavy_libraries():
    script = (
        "import sys; from pastewright.cli.app import main; sys.argv = ['pastewright', '--help']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print(sorted({'numpy', 'scipy', 'shapely', 'matplotlib'} & set(sys.modules)))"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert "plan" in result.stdout
    assert result.stdout.splitlines()[-1] == "[]"


def test_every_command_is_documented(run: Callable):
    words = run("--help").out
    commands = re.findall(r"(?m)^  ([a-z-]+)  ", words[words.index("Commands:") :])
    assert len(commands) >= 7
    pages = [DOCS / "README.md", *(DOCS / "docs").glob("*.md")]
    text = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    assert [name for name in commands if f"pastewright {name}" not in text] == []


def test_look_tells_layers_pads_and_draws_both_sides(run: Callable, logger_files: Path, tmp_path: Path):
    answer = run("look", logger_files, "--out", tmp_path)
    assert answer.code == 0
    assert "top paste" in answer.out
    assert re.search(r"pads: .*1 thermal", answer.out)
    assert "3 fiducials" in answer.out
    for side in ("top", "bottom"):
        assert (tmp_path / f"look-{side}.svg").read_text(encoding="utf-8").startswith("<svg")


def test_look_says_no_when_one_side_has_layers_that_cannot_be_read(
    run: Callable, logger_files: Path, tmp_path: Path
):
    cut = tmp_path / "cut"
    shutil.copytree(logger_files, cut)
    (paste,) = cut.glob("*top-paste*")
    paste.write_bytes(paste.read_bytes()[:3000])
    answer = run("look", cut)
    assert answer.code == 2
    assert "bottom side: 50.00" in answer.out
    assert "top side: cannot be read" in answer.out
    assert "error" in answer.err
    # A board with one side only is no mistake.
    for layer in cut.glob("*-top-*"):
        layer.unlink()
    answer = run("look", cut)
    assert answer.code == 0
    assert "top side: nothing to show" in answer.out


def test_advice_compares_the_bench_with_what_would_suit(run: Callable, logger_files: Path, bench: Path):
    answer = run("advise", logger_files, "-p", bench)
    assert answer.code == 0
    for word in (
        "one microstep",
        "peak pressure",
        "time constant",
        "boards of this side",
        "27G",
        "3 mL",
        "suits",
    ):
        assert word in answer.out


def test_the_tip_table_leaves_out_what_a_powder_clogs(run: Callable):
    whole, fine = run("tips"), run("tips", "--powder", 4)
    assert whole.code == fine.code == 0
    assert len(fine.out.splitlines()) < len(whole.out.splitlines())
    # 7 × 38 µm = 0.266 mm: 24G (0.311 mm) passes type 4, 25G (0.260 mm) does not.
    assert re.search(r"(?m)^ *24 ", fine.out)
    assert not re.search(r"(?m)^ *25 ", fine.out)


@pytest.mark.parametrize("name", example_names())
def test_a_profile_made_from_an_example_is_good_and_commented(name: str, run: Callable, tmp_path: Path):
    file = tmp_path / "mine.toml"
    assert run("profile", "new", file, "--from", name, "--set", "machine.speed_xy_mm_s=40").code == 0
    assert read_profile(file).machine.speed_xy_mm_s == 40
    text = file.read_text(encoding="utf-8")
    assert text.count("#") >= sum(
        len(value) for value in tomllib.loads(text).values() if isinstance(value, dict)
    )
    assert run("profile", "check", file).code == 0
    again = run("profile", "new", file, "--from", name)
    assert again.code == 2
    assert "--force" in again.err


def test_a_profile_is_not_asked_for_where_nobody_can_answer(run: Callable, tmp_path: Path, monkeypatch):
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    answer = run("profile", "new", tmp_path / "mine.toml")
    assert answer.code == 2
    assert "--from" in answer.err


def test_the_demo_plans_both_sides(run: Callable, tmp_path: Path):
    answer = run("demo", "--out", tmp_path / "demo")
    assert answer.code == 0, answer.out
    assert answer.out.count("verified") == 2
    for side in ("top", "bottom"):
        assert (tmp_path / "demo" / side / "program.gcode").exists()


def test_the_version_is_stated_once(run: Callable):
    import importlib.metadata

    import pastewright

    assert run("--version").out == f"pastewright {pastewright.__version__}\n"
    assert importlib.metadata.version("pastewright") == pastewright.__version__
