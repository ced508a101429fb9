"""What `import pastewright` offers, and the page that shows it."""

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import pastewright as pw
from pastewright.demo.board import write_demo
from pastewright.profile.examples import DEMO, example_text

PAGE = Path(__file__).parents[2] / "docs" / "scripting.md"
BLOCKS = re.findall(r"(?ms)^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"))
BOARD, WRONG, SHEET, PHOTO = BLOCKS
HEAVY = ("numpy", "scipy", "shapely", "matplotlib", "cv2", "jinja2", "msgspec")


@pytest.fixture
def bench_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder such as `pastewright demo` leaves, to work in."""
    (tmp_path / "greenhouse-logger").mkdir()
    write_demo(tmp_path / "greenhouse-logger", "x2")
    (tmp_path / "bench.toml").write_text(example_text(DEMO), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def carried_out(block: str) -> dict[str, object]:
    values: dict[str, object] = {}
    exec(compile(block, str(PAGE), "exec"), values)
    return values


def test_a_board_of_twenty_lines(bench_folder: Path, capsys: pytest.CaptureFixture[str], run: Callable):
    code = [line for line in BOARD.splitlines() if line and not line.startswith("#")]
    assert len(code) <= 20
    carried_out(BOARD)
    said = capsys.readouterr().out
    assert "greenhouse-logger: 50.0 x 40.0 mm" in said
    # A program without its last lines is found out.
    assert re.search(r"(?m)^line \d+: [a-z ]+: ", said)
    assert {path.name for path in Path("top").iterdir()} == {
        "plan.json",
        "pads.csv",
        "board.svg",
        "report.html",
        "program.gcode",
    }
    # The command's program is the same to the last byte.
    answer = run("plan", "greenhouse-logger", "-p", "bench.toml", "-o", "by-command")
    assert answer.code == 0
    assert Path("by-command/program.gcode").read_bytes() == Path("top/program.gcode").read_bytes()


def test_what_is_wrong_comes_as_values(bench_folder: Path, capsys: pytest.CaptureFixture[str]):
    carried_out(WRONG)
    said = capsys.readouterr().out
    assert said.startswith("notes.txt: 'top pste' is no role of a layer. Roles are: ")
    with pytest.raises(pw.InputError, match="no side"):
        pw.read_board("greenhouse-logger", side="left")
    with pytest.raises(pw.InputError, match="no such file"):
        pw.read_board("nowhere")
    with pytest.raises(pw.InputError, match="cannot be read"):
        pw.verify("", "nowhere.json", pw.read_profile("bench.toml"))


def test_a_program_with_findings_is_written_only_when_asked(bench_folder: Path):
    from dataclasses import replace

    bench = pw.read_profile("bench.toml")
    plan = pw.make_plan(pw.read_board("greenhouse-logger"), bench)
    wrong = replace(plan, verdict=pw.verify("G1 J5\n", plan, bench))
    assert not wrong.verdict.ok
    with pytest.raises(pw.InputError, match="not verified"):
        pw.write_program(wrong, "wrong.gcode")
    assert not Path("wrong.gcode").exists()
    pw.write_program(wrong, "wrong.gcode", even_if_unverified=True)
    assert Path("wrong.gcode").read_text(encoding="utf-8") == plan.program.text


@pytest.mark.campaign
def test_a_bench_from_its_sheet(bench_folder: Path, capsys: pytest.CaptureFixture[str]):
    from rendered_photos import Scene, jpeg_bytes, render

    values = carried_out(SHEET)
    sheet = values["sheet"]
    assert isinstance(sheet, pw.TuningSheet)
    picture, _ = render(Scene(sheet=sheet.sheet))
    Path("photo.jpg").write_bytes(jpeg_bytes(picture, 92))
    values = carried_out(PHOTO)
    assert "yield" in capsys.readouterr().out
    assert isinstance(bench := values["bench"], pw.Profile)
    assert len(bench.history) == 1


def test_the_import_alone_loads_nothing_heavy():
    script = f"import sys, pastewright; print(sorted(set({HEAVY!r}) & set(sys.modules)))"
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert result.stdout == "[]\n"


def test_everything_offered_is_there_and_explained():
    for name in pw.__all__:
        value = getattr(pw, name)
        if name != "__version__":
            assert value.__doc__, name
    assert set(pw.__all__) <= set(dir(pw))
    with pytest.raises(AttributeError, match="make_plan"):
        _ = pw.make_plans
    offered = set(re.findall(r"`(\w+)\(", PAGE.read_text(encoding="utf-8")))
    assert offered - {"help"} <= set(pw.__all__)
