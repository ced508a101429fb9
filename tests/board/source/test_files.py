"""Folders, zips and single files: everything readable comes in, everything harmful stays out."""

import io
import os
import struct
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.board.source import files
from pastewright.board.source.files import SourceFile, inputs_sha256, read_source
from pastewright.problems import InputError


def zip_at(path: Path, entries: dict[str, bytes], compression: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", compression) as archive:
        for name, data in entries.items():
            archive.writestr(name, data)
    return path


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_source(path)
    assert all(problem.what and problem.mend for problem in caught.value.problems)
    return str(caught.value)


def test_a_folder_gives_its_files_by_name_with_nested_ones(tmp_path: Path) -> None:
    (tmp_path / "gerber").mkdir()
    (tmp_path / "gerber" / "a.gtp").write_bytes(b"paste")
    (tmp_path / "b.drl").write_bytes(b"drill")
    assert [(f.name, f.data) for f in read_source(tmp_path)] == [
        ("b.drl", b"drill"),
        ("gerber/a.gtp", b"paste"),
    ]


def test_a_zip_and_a_folder_of_the_same_files_are_the_same_input(tmp_path: Path) -> None:
    entries = {"a.gtp": b"one", "sub/b.gbp": b"two"}
    folder = tmp_path / "folder"
    for name, data in entries.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    from_zip = read_source(zip_at(tmp_path / "board.zip", entries))
    assert from_zip == read_source(folder)
    assert inputs_sha256(from_zip) == inputs_sha256(read_source(folder))


def test_one_changed_byte_or_name_changes_the_checksum() -> None:
    base = (SourceFile(name="a", data=b"12"), SourceFile(name="b", data=b"3"))
    changed = [
        (SourceFile(name="a", data=b"13"), base[1]),
        (SourceFile(name="c", data=b"12"), base[1]),
        (SourceFile(name="a", data=b"1"), SourceFile(name="b", data=b"23")),
        base[:1],
    ]
    sums = {inputs_sha256(each) for each in [base, *changed]}
    assert len(sums) == 5
    assert inputs_sha256(base[::-1]) == inputs_sha256(base)
    ignored = SourceFile(name=".x", data=b"", ignored="hidden file")
    assert inputs_sha256((*base, ignored)) == inputs_sha256(base)


def test_a_single_file_is_read_alone(tmp_path: Path) -> None:
    (tmp_path / "top.gtp").write_bytes(b"x")
    (tmp_path / "other.gbr").write_bytes(b"y")
    assert [f.name for f in read_source(tmp_path / "top.gtp")] == ["top.gtp"]


def test_hidden_files_and_archiver_droppings_are_noted_and_not_read(tmp_path: Path) -> None:
    found = read_source(
        zip_at(
            tmp_path / "b.zip",
            {"a.gtp": b"x", "__MACOSX/._a.gtp": b"junk", ".DS_Store": b"junk", "Thumbs.db": b"j"},
        )
    )
    assert {f.name: bool(f.ignored) for f in found} == {
        "a.gtp": False,
        "__MACOSX/._a.gtp": True,
        ".DS_Store": True,
        "Thumbs.db": True,
    }
    assert all(f.data == b"" for f in found if f.ignored)


@pytest.mark.parametrize("name", ["../evil.gtp", "/etc/evil", "a/../../evil", "C:/evil", "..\\evil.gtp"])
def test_a_zip_name_that_leads_outside_is_refused(tmp_path: Path, name: str) -> None:
    assert "points outside" in refusal(zip_at(tmp_path / "b.zip", {"ok.gtp": b"x", name: b"x"}))
    assert [p.name for p in tmp_path.iterdir()] == ["b.zip"]


@pytest.mark.parametrize("name", ["a\x01b", "top\nlayer.gtp", "\x1b[31mred.gtp"])
def test_a_zip_name_with_control_characters_is_refused_and_told_harmlessly(tmp_path: Path, name: str) -> None:
    text = refusal(zip_at(tmp_path / "b.zip", {"ok.gtp": b"x", name: b"x"}))
    assert "control character" in text
    assert name not in text


def test_a_zip_that_swells_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    text = refusal(zip_at(tmp_path / "bomb.zip", {"a.gtp": b"\0" * (8 * 2**20)}))
    assert "times its size; the limit is 200" in text


def test_a_zip_that_lies_about_its_size_is_refused(tmp_path: Path) -> None:
    path = zip_at(tmp_path / "b.zip", {"a.gtp": b"0" * 5000})
    raw = path.read_bytes()
    # The true size stands in the local header and in the central directory; say 10 bytes instead.
    assert raw.count(struct.pack("<L", 5000)) == 2
    path.write_bytes(raw.replace(struct.pack("<L", 5000), struct.pack("<L", 10)))
    assert "damaged" in refusal(path)


def test_too_large_files_are_refused_with_the_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MAX_FILE_BYTES", 100)
    (tmp_path / "a.gtp").write_bytes(b"x" * 101)
    assert "a file may have 0.0 MB" in refusal(tmp_path)
    assert "a.gtp" in refusal(tmp_path / "a.gtp")
    (tmp_path / "a.gtp").write_bytes(b"x" * 100)
    assert len(read_source(tmp_path)) == 1


def test_too_many_files_or_too_much_in_all_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for i in range(5):
        (tmp_path / f"{i}.gbr").write_bytes(b"x" * 10)
    monkeypatch.setattr(files, "MAX_TOTAL_BYTES", 49)
    assert "in all; the limit is" in refusal(tmp_path)
    monkeypatch.setattr(files, "MAX_FILES", 4)
    assert "more than 4 files" in refusal(tmp_path)


def test_an_encrypted_zip_is_refused(tmp_path: Path) -> None:
    path = zip_at(tmp_path / "b.zip", {"a.gtp": b"secret"})
    raw = bytearray(path.read_bytes())
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        raw[raw.index(mark) + offset] |= 1
    path.write_bytes(raw)
    assert "encrypted" in refusal(path)


def test_a_name_twice_in_a_zip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "b.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a.gtp", b"1")
        with pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("a.gtp", b"2")
    assert "twice" in refusal(path)


def test_all_bad_entries_of_a_zip_are_told_at_once(tmp_path: Path) -> None:
    path = zip_at(tmp_path / "b.zip", {"../a": b"x", "/b": b"x", "good": b"x"})
    with pytest.raises(InputError) as caught:
        read_source(path)
    assert len(caught.value.problems) == 2


@pytest.mark.parametrize(
    ("name", "data", "say"),
    [
        ("b.zip", b"", "not a whole zip"),
        ("b.zip", b"no zip at all", "not a whole zip"),
        ("b.7z", b"7z\xbc\xaf\x27\x1c....", "7z archive"),
        ("b.tgz", b"\x1f\x8b....", "gzip"),
        ("b.rar", b"Rar!....", "rar"),
    ],
)
def test_other_archives_and_damaged_zips_are_refused(
    tmp_path: Path, name: str, data: bytes, say: str
) -> None:
    (tmp_path / name).write_bytes(data)
    assert say in refusal(tmp_path / name)


def test_a_truncated_zip_is_refused(tmp_path: Path) -> None:
    path = zip_at(tmp_path / "b.zip", {"a.gtp": os.urandom(2000)})
    path.write_bytes(path.read_bytes()[:-40])
    assert "not a whole zip" in refusal(path)


def test_nothing_to_read_is_refused(tmp_path: Path) -> None:
    assert "cannot be opened" in refusal(tmp_path / "missing")
    (tmp_path / "empty").mkdir()
    assert "holds no files" in refusal(tmp_path / "empty")
    (tmp_path / "empty" / ".hidden").write_bytes(b"x")
    assert "holds no files" in refusal(tmp_path / "empty")
    assert "holds no files" in refusal(zip_at(tmp_path / "b.zip", {}))
    assert "cannot be opened" in refusal(Path("a\0b"))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are a Unix thing")
def test_a_named_pipe_or_device_never_hangs_the_reading(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "a.gtp").write_bytes(b"x")
    found = {f.name: f.ignored for f in read_source(tmp_path)}
    assert found == {"a.gtp": "", "pipe": "device, pipe or socket"}
    assert "not a file" in refusal(tmp_path / "pipe")
    assert "not a file" in refusal(Path("/dev/null"))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_an_unreadable_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "a.gtp").write_bytes(b"x")
    (tmp_path / "a.gtp").chmod(0)
    assert "cannot be read" in refusal(tmp_path)


def test_a_link_to_a_folder_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "a.gtp").write_bytes(b"x")
    (tmp_path / "loop").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "gone.gbr").symlink_to(tmp_path / "missing")
    assert "gone.gbr" in refusal(tmp_path)
    (tmp_path / "gone.gbr").unlink()
    assert [(f.name, f.ignored) for f in read_source(tmp_path)] == [
        ("a.gtp", ""),
        ("loop/", "link to a folder"),
    ]


def test_folders_nested_too_deep_are_refused(tmp_path: Path) -> None:
    deep = tmp_path.joinpath(*"abcdefghij")
    deep.mkdir(parents=True)
    (deep / "a.gtp").write_bytes(b"x")
    assert "deeper than 8" in refusal(tmp_path)


def test_a_spreadsheet_is_a_file_and_not_a_zip_of_layers(tmp_path: Path) -> None:
    path = zip_at(tmp_path / "pos.xlsx", {"xl/workbook.xml": b"<x/>"})
    assert [f.name for f in read_source(path)] == ["pos.xlsx"]


_BUFFER = io.BytesIO()
with zipfile.ZipFile(_BUFFER, "w", zipfile.ZIP_DEFLATED) as _archive:
    _archive.writestr("a.gtp", b"%FSLAX46Y46*%" * 20)
    _archive.writestr("sub/b.drl", b"M48\nM30\n" * 20)
ZIP = _BUFFER.getvalue()


@settings(deadline=None, max_examples=300)
@given(
    changes=st.lists(st.tuples(st.integers(0, len(ZIP) - 1), st.integers(0, 255)), max_size=6),
    cut=st.integers(0, len(ZIP)),
    whole=st.booleans(),
)
def test_a_damaged_zip_gives_files_or_an_input_error(
    tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[int, int]], cut: int, whole: bool
) -> None:
    data = bytearray(ZIP)
    for at, value in changes:
        data[at] = value
    path = tmp_path_factory.getbasetemp() / "fuzzed.zip"
    path.write_bytes(bytes(data if whole else data[:cut]))
    try:
        found = read_source(path)
    except InputError as error:
        assert error.problems
    else:
        assert found
