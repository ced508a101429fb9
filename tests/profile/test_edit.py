"""Values written into a profile's text: nothing else of it changes."""

import tomllib
from difflib import ndiff
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.problems import InputError
from pastewright.profile.edit import with_values, write_values
from pastewright.profile.examples import example_names, example_text
from pastewright.profile.read import parse_profile


def changed_lines(old: str, new: str) -> tuple[list[str], list[str]]:
    lines = list(ndiff(old.splitlines(), new.splitlines()))
    return [line[2:] for line in lines if line[:2] == "- "], [line[2:] for line in lines if line[:2] == "+ "]


@pytest.mark.parametrize("name", example_names())
def test_one_value_changes_one_line_and_no_comment(name: str) -> None:
    text = example_text(name)
    z_mm = parse_profile(text, "").bed.board_z_mm - 0.125
    new = with_values(text, {"bed.board_z_mm": z_mm})
    gone, came = changed_lines(text, new)
    assert len(gone) == len(came) == 1
    assert came[0].startswith(f"board_z_mm = {z_mm:g}")
    assert gone[0].partition("#")[1:] == came[0].partition("#")[1:]
    assert parse_profile(new, "").bed.board_z_mm == z_mm


def test_a_comment_stays_in_its_column() -> None:
    text = example_text("bench-reprap-e").replace(
        "gear = 13.73                # plan", "gear = 13.73      # plan"
    )
    before = next(line for line in text.splitlines() if line.startswith("gear"))
    after = next(
        line for line in with_values(text, {"plunger.gear": 13.7}).splitlines() if line.startswith("gear")
    )
    assert before.index("#") == after.index("#")


def test_a_key_that_is_missing_comes_into_its_section_and_a_section_that_is_missing_at_the_end() -> None:
    text = example_text("bench-reprap-e")
    assert "[camera]" not in text
    new = with_values(
        text, {"camera.offset_x_mm": 30.02, "camera.offset_y_mm": -1.98, "tuning.gain_percent": 97.4}
    )
    gone, came = changed_lines(text, new)
    assert gone == []
    assert [line for line in came if line] == [
        "gain_percent = 97.4",
        "[camera]",
        "offset_x_mm = 30.02",
        "offset_y_mm = -1.98",
    ]
    assert tomllib.loads(new)["camera"] == {"offset_x_mm": 30.02, "offset_y_mm": -1.98}


def test_a_section_that_stands_in_parts_is_changed_where_it_begins() -> None:
    history = (
        '\n[run]\nhome = "G28"\n\n[[tuning.history]]\ndated = "2026-05-01"\nbubble_ul = 3  # after a refill\n'
    )
    text = example_text("bench-reprap-e") + history
    new = with_values(text, {"tuning.gain_percent": 97.4, "tuning.dwell_s": 0.2})
    gone, came = changed_lines(text, new)
    assert [line.split(" = ")[0] for line in gone] == ["dwell_s"]
    assert sorted(line.split(" = ")[0] for line in came if line) == ["dwell_s", "gain_percent"]
    profile = parse_profile(new, "")
    assert (profile.tuning.gain, profile.tuning.dwell_s, profile.history[0].bubble_ul) == pytest.approx(
        (0.974, 0.2, 3.0)
    )


def test_line_ends_of_another_system_stay() -> None:
    text = example_text("bench-reprap-e").replace("\n", "\r\n")
    new = with_values(text, {"bed.board_z_mm": 12.5})
    assert new.count("\r\n") == text.count("\r\n") == new.count("\n")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"bed.board_zz_mm": 1.0}, "no key bed.board_zz_mm"),
        ({"plunger.backlash_mm": 7.0}, "0 to 2 mm"),
        ({"bed.board_z_mm": 5000.0}, "-1000 to 1000"),
        ({"bed.board_z_mm": 199.5}, "above machine.z_max_mm"),  # travels would be out of reach
        ({"bed.board_z_mm": float("nan")}, "-1000 to 1000"),
    ],
)
def test_what_would_make_no_profile_is_refused(values: dict[str, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        with_values(example_text("bench-reprap-e"), dict(values))


@given(st.floats(-0.0, 190.0), st.floats(0, 2))
def test_what_is_written_is_read(z_mm: float, backlash_mm: float) -> None:
    new = with_values(
        example_text("bench-reprap-e"), {"bed.board_z_mm": z_mm, "plunger.backlash_mm": backlash_mm}
    )
    profile = parse_profile(new, "")
    assert profile.bed.board_z_mm == pytest.approx(z_mm, abs=6e-6)  # five decimals
    assert profile.plunger.backlash_mm == pytest.approx(backlash_mm, abs=6e-6)


def test_a_file_is_replaced_whole_and_keeps_its_rights_and_its_link(tmp_path: Path) -> None:
    real = tmp_path / "real.toml"
    real.write_text(example_text("bench-reprap-e"), encoding="utf-8")
    real.chmod(0o640)
    link = tmp_path / "bench.toml"
    link.symlink_to(real)
    profile = write_values(link, {"bed.board_z_mm": 18.25})
    assert profile.bed.board_z_mm == 18.25
    assert link.is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert parse_profile(real.read_text(encoding="utf-8"), "").bed.board_z_mm == 18.25
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bench.toml", "real.toml"]


def test_a_folder_that_cannot_be_written_is_said_with_the_lines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(example_text("bench-reprap-e"), encoding="utf-8")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pastewright.profile.edit.NamedTemporaryFile", full)
    with pytest.raises(InputError, match=r"No space left.*\n.*bed.board_z_mm = 3.0"):
        write_values(file, {"bed.board_z_mm": 3.0})
    assert file.read_text(encoding="utf-8") == example_text("bench-reprap-e")
