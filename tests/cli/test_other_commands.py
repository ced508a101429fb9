"""The smaller commands, and what holds for all of them."""

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
import typer

from pastewright.cli.app import main
from pastewright.job.read import read_job
from pastewright.problems import one_error
from pastewright.profile.examples import DEMO, example_names, example_text
from pastewright.profile.new import questions
from pastewright.profile.read import read_profile
from pastewright.work import exits

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
    assert f"pastewright page {tmp_path / 'demo'}" in answer.out.replace("\n", "")


def test_the_version_is_stated_once(run: Callable):
    import importlib.metadata

    import pastewright

    assert run("--version").out == f"pastewright {pastewright.__version__}\n"
    assert importlib.metadata.version("pastewright") == pastewright.__version__


def test_answers_are_kept_where_they_do_not_fit_each_other(run: Callable, tmp_path: Path, monkeypatch):
    # Each answer is good by itself; the board lies outside the axes.
    values = {
        question.path: "mine" if question.path == "name" else str(question.default)
        for question in questions()
    }
    values |= {"machine.x_max_mm": "200", "machine.y_max_mm": "200", "machine.z_max_mm": "50"}
    values |= {"machine.speed_xy_mm_s": "50", "machine.speed_z_mm_s": "10"}
    values |= {"bed.board_x_mm": "900", "bed.board_y_mm": "20", "bed.board_z_mm": "2"}
    values |= {
        "bed.strip_x_mm": "10",
        "bed.strip_y_mm": "5",
        "plunger.speed_mm_s": "2",
        "plunger.stroke_mm": "50",
    }
    asked = iter(values.values())
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("typer.prompt", lambda *_, **__: next(asked))
    file = tmp_path / "mine.toml"
    answer = run("profile", "new", file)
    assert answer.code == 2
    line = re.search(r"mine\.toml:(\d+): ", answer.err)
    assert line
    written = file.read_text(encoding="utf-8")
    assert "board_x_mm = 900" in written
    assert 'name = "mine"' in written
    file.write_text(written.replace("board_x_mm = 900", "board_x_mm = 60"), encoding="utf-8")
    assert run("profile", "check", file).code == 0


def test_a_new_job_is_for_both_sides_unless_it_is_tied_to_one(
    run: Callable, logger_files: Path, tmp_path: Path
):
    both, one = tmp_path / "both.toml", tmp_path / "one.toml"
    assert run("job", "new", logger_files, "-o", both).code == 0
    assert run("job", "new", logger_files, "-o", one, "--side", "bottom").code == 0
    assert read_job(both).side is None
    assert str(read_job(one).side) == "bottom"
    bench = tmp_path / "bench.toml"
    bench.write_text(example_text(DEMO), encoding="utf-8")
    for side in ("top", "bottom"):
        assert run("advise", logger_files, "-p", bench, "--side", side, "--job", both).code == 0
    answer = run("advise", logger_files, "-p", bench, "--side", "top", "--job", one)
    assert answer.code == 2
    assert "bottom side" in answer.err
    # Without --side the job's is meant.
    assert "bottom side" in run("advise", logger_files, "-p", bench, "--job", one).out


def test_every_command_that_takes_a_board_takes_the_same_words_about_it(run: Callable):
    wanted = {"--side", "--layer", "--units", "--columns", "--job"}
    for command in ("plan", "advise", "register", "probe"):
        assert wanted <= set(re.findall(r"--[a-z-]+", run(command, "--help").out)), command


@pytest.mark.parametrize(
    ("thrown", "code", "says"),
    [
        (one_error("it is wrong", "Mend it."), 2, "it is wrong"),
        (typer.Abort(), 130, "Stopped"),
        (KeyboardInterrupt(), 130, "Stopped"),
        (ZeroDivisionError("ours"), 70, "mistake of pastewright itself"),
    ],
)
def test_exit_codes_mean_the_same_for_every_command(
    thrown: BaseException, code: int, says: str, monkeypatch: pytest.MonkeyPatch, capsys
):
    def failing(**_: object) -> int:
        raise thrown

    monkeypatch.setattr("pastewright.cli.app.spare_pydantic", lambda _: failing)
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == code
    err = capsys.readouterr().err
    assert says in err
    assert ("Traceback" in err) == (code == 70)


def test_a_reader_that_has_enough_is_no_mistake(logger_files: Path):
    command = f"{sys.executable} -c 'from pastewright.cli.app import main; main()' tips | head -1; echo ${{PIPESTATUS[0]}}"
    result = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True)
    assert result.stderr == ""
    assert result.stdout.splitlines()[-1] in {"0", "141"}  # as fast as head is


# What each command may load; the rest would only make people wait.
LIBRARIES = {"numpy", "scipy", "shapely", "matplotlib", "cv2", "PIL", "ezdxf", "jinja2", "serial", "sqlite3"}
LIBRARIES |= {"numba", "pydantic"}
LIBRARIES |= {"scipy.stats", "scipy.interpolate", "scipy.signal"}  # each takes half a second or more


@pytest.mark.parametrize(
    ("words", "may_load"),
    [
        (["--help"], set()),
        (["--version"], set()),
        (["plan", "--help"], set()),
        (["tune", "fit", "--help"], set()),
        (["profile", "examples"], set()),
        (["locate"], set()),
        (["locate", "nowhere.png", "--scale", "0.01", "--kind", "rond"], set()),
        (["locate", "nowhere.png", "--scale", "0.01"], set()),
        (["camera-offset", "--touch", "1,2"], set()),
        (["ports"], {"serial"}),
        (["runs", "--journal", "nowhere.db"], {"sqlite3", "serial"}),
        (["tips"], {"numpy"}),
        (["look", "nowhere"], {"numpy", "shapely"}),
        (["plan", "nowhere", "-p", "nowhere.toml"], {"numpy", "shapely", "jinja2"}),
        (["verify", "nowhere", "--plan", "p", "-p", "nowhere.toml"], {"numpy", "shapely"}),
        (["tune", "sheet", "-p", "nowhere.toml", "-o", "out"], {"numpy", "scipy", "shapely"}),
        (["tune", "fit", "nowhere", "-p", "nowhere.toml"], {"numpy", "scipy", "shapely", "cv2", "PIL"}),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",  # sets have no order
)
def test_a_command_loads_only_what_it_needs(words: list[str], may_load: set[str], tmp_path: Path):
    script = (
        "import sys; from pastewright.cli.app import main\n"
        f"sys.argv = ['pastewright', *{words!r}]\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print(sorted({LIBRARIES!r} & set(sys.modules)))"
    )
    result = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=tmp_path
    )
    loaded = set(ast.literal_eval(result.stdout.splitlines()[-1]))
    assert loaded <= may_load


def test_a_board_is_planned_without_compiler_and_without_the_large_libraries(
    run: Callable, logger_files: Path, tmp_path: Path
):
    words = ["plan", str(logger_files), "-p", str(tmp_path / "bench.toml"), "-o", str(tmp_path / "out")]
    (tmp_path / "bench.toml").write_text(example_text(DEMO))
    assert run(*words).code == exits.DONE  # after it the compiled loops are kept, even in a fresh install
    script = (
        "import sys; from pastewright.cli.app import main\n"
        f"sys.argv = ['pastewright', *{words!r}]\n"
        "try:\n    main()\nexcept SystemExit as end:\n    print(end.code)\n"
        f"print(sorted({LIBRARIES!r} & set(sys.modules)))"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    code, loaded = result.stdout.splitlines()[-2:]
    assert code == "0"
    assert loaded == "['jinja2', 'numpy', 'shapely']"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["tips", "--powder", "abc"], "--powder: a whole number is wanted"),
        (["tips", "--powder", "9"], "--powder: at most 8"),
        (["tips", "more"], "too many words: more"),
        (["look", ".", "--side", "left"], "--side: 'left' is not one of"),
        (["verify", "a"], "--plan is missing"),
        (["plan", "a", "-p"], "-p wants a value"),
        (["tune", "fitt"], "there is no command 'fitt'; did you mean 'fit'?"),
        (["plan", "a", "--dri"], "there is no option --dri"),
        (["look", ".", "--units", "furlong"], "--units 'furlong' is no unit of length"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_a_typing_error_is_told_in_plain_words(words: list[str], says: str, run: Callable):
    answer = run(*words)
    assert answer.code == 2
    assert says in answer.err
    for jargon in ("Input should", "Value error", "Invalid value", "argument(s)", "unable to parse"):
        assert jargon not in answer.err


def test_a_reader_of_problems_that_has_enough_is_no_mistake(tmp_path: Path, bench: Path):
    # Many problems, and nobody reads them to the end.
    command = (
        f"{sys.executable} -c 'from pastewright.cli.app import main; main()' job check {bench} 2>&1 | head -1"
    )
    result = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True)
    assert result.stderr == ""
    assert "Traceback" not in result.stdout


def test_the_page_states_the_exit_codes_that_there_are():
    page = (DOCS / "docs" / "command-line.md").read_text(encoding="utf-8")
    stated = {int(code) for code in re.findall(r"(?m)^\| (\d+) \|", page)}
    assert stated == {value for name, value in vars(exits).items() if name.isupper()}
