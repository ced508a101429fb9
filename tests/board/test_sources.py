"""The same board in every format: one interface, the same places and doses; and what is found by content."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.model import Board, LayerRole, PadKind, Side
from pastewright.board.read import GERBER_SET, READERS, read_board, reader_of
from pastewright.demo.board import Flavour, demo_files
from pastewright.demo.formats.centroid import centroid_text
from pastewright.demo.formats.files import FORMATS
from pastewright.demo.gerber_text import ORIGIN_MM
from pastewright.dose.doses import dose_board
from pastewright.problems import InputError
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile

PROFILE = parse_profile(example_text("bench-reprap-e"), "bench.toml")
ORIGIN = {"ipc2581": (0.0, 0.0)}  # the others count from the board's own corner


@cache
def data_of(name: str) -> tuple[str, bytes]:
    file, make = FORMATS[name]
    return file, make()


def written(tmp_path: Path, *names: str) -> Path:
    for name in names:
        file, data = data_of(name)
        (tmp_path / file).write_bytes(data)
    return tmp_path


def gerbers(tmp_path: Path, flavour: Flavour = "x2") -> Path:
    for name, data in demo_files(flavour).items():
        (tmp_path / name).write_bytes(data)
    return tmp_path


def openings(board: Board, shift=(0.0, 0.0)) -> tuple[np.ndarray, np.ndarray]:
    """Places of all openings [mm, file] and the share of its pad's dose that each gets."""
    doses = dose_board(board, PROFILE.dose, PROFILE.paste).doses
    places, amounts = [], []
    for pad, dose in zip(board.pads, doses, strict=True):
        for opening in pad.apertures:
            x, y = board.to_file_mm(*opening.shape.centroid.coords[0])
            places.append((x + shift[0], y + shift[1]))
            amounts.append(dose.target_ul * opening.shape.area / pad.aperture_area_mm2)
    return np.array(places), np.array(amounts)


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("name", list(FORMATS))
def test_every_format_gives_the_doses_and_places_of_the_gerber_files(tmp_path, name, side):
    (tmp_path / "gerber").mkdir()
    (tmp_path / "other").mkdir()
    gerber = read_board(gerbers(tmp_path / "gerber"), Ask(side=side))
    other = read_board(written(tmp_path / "other", name), Ask(side=side))
    places, amounts = openings(other, ORIGIN.get(name, ORIGIN_MM))
    wanted, wanted_ul = openings(gerber)
    assert len(places) == len(wanted)
    away = np.hypot(*(wanted[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    nearest = away.argmin(axis=1)
    assert len(set(nearest.tolist())) == len(wanted)
    assert away.min(axis=1).max() < 0.01
    assert amounts[nearest] == approx(wanted_ul, rel=0.01)
    assert amounts.sum() == approx(wanted_ul.sum(), rel=0.002)


@pytest.mark.parametrize("name", list(FORMATS))
def test_fiducials_are_found_in_every_format(tmp_path, name):
    board = read_board(written(tmp_path, name), Ask(side=Side.TOP))
    assert len(board.fiducials) == 3
    assert {round(mark.diameter_mm, 2) for mark in board.fiducials} == {1.0}
    assert not any(pad.apertures for pad in board.pads if pad.kind is PadKind.FIDUCIAL)


@pytest.mark.parametrize("name", ["svg", "dxf", "ipc2581"])
def test_the_outline_gives_the_board_its_size(tmp_path, name):
    board = read_board(written(tmp_path, name), Ask(side=Side.TOP))
    assert board.outline is not None
    assert board.size_mm == approx((50.0, 40.0), abs=0.005)


@pytest.mark.parametrize("name", ["svg", "table", "ipc2581"])
def test_pads_keep_their_names_and_nets(tmp_path, name):
    board = read_board(written(tmp_path, name), Ask(side=Side.TOP))
    pads = {pad.id: pad for pad in board.pads}
    assert pads["R9-1"].net == "PROBE_EXC"
    assert len(pads["U1-33"].apertures) == 9


@pytest.mark.parametrize("name", list(FORMATS))
def test_a_format_is_known_by_its_content_whatever_the_file_is_called(tmp_path, name):
    _file, data = data_of(name)
    (tmp_path / "mystery.dat").write_bytes(data)
    board = read_board(tmp_path / "mystery.dat", Ask(side=Side.BOTTOM))
    assert sum(len(pad.apertures) for pad in board.pads) == 29


def test_each_sample_is_claimed_by_one_reader_alone():
    for name in FORMATS:
        _file, data = data_of(name)
        assert sum(reader.claims(data[:65536]) for reader in READERS) == 1, name
    for file, data in demo_files("rs274x").items():
        assert reader_of(data) in (GERBER_SET, None), file


def test_the_formats_never_change_from_run_to_run():
    for name, (_file, make) in FORMATS.items():
        assert make() == data_of(name)[1], name


def test_gerber_files_go_before_a_drawing_in_one_folder(tmp_path):
    board = read_board(written(gerbers(tmp_path), "svg", "dxf"), Ask(side=Side.TOP))
    assert any(use.role is LayerRole.TOP_COPPER and use.used for use in board.layers)
    assert len(board.holes) > 50


def test_two_drawings_in_one_folder_are_asked_about(tmp_path):
    with pytest.raises(InputError, match="2 files could be the board"):
        read_board(written(tmp_path, "svg", "dxf"), Ask(side=Side.TOP))
    roles = {data_of("dxf")[0]: LayerRole.OTHER}
    assert read_board(tmp_path, Ask(side=Side.TOP, roles=roles)).pads


def test_a_job_file_beside_a_drawing_is_not_taken_for_the_board(tmp_path):
    written(tmp_path, "svg")
    (tmp_path / "job.toml").write_text('not_fitted = "R5"\n')
    assert read_board(tmp_path, Ask(side=Side.TOP)).pads


# ---- centroid files


def known_refs(board: Board) -> tuple[np.ndarray, list[str]]:
    places = [board.to_file_mm(*pad.land.centroid.coords[0]) for pad in board.pads]
    return np.array(places), [pad.ref for pad in board.pads]


@pytest.mark.parametrize("side", list(Side))
def test_a_centroid_file_names_the_pads_of_nameless_gerbers(tmp_path, side):
    (tmp_path / "x2").mkdir()
    (tmp_path / "old").mkdir()
    true_places, true_refs = known_refs(read_board(gerbers(tmp_path / "x2"), Ask(side=side)))
    old = gerbers(tmp_path / "old", "rs274x")
    (old / "GREENLOG.IPC").unlink()
    (old / "GREENLOG-pnp.csv").write_text(centroid_text())
    board = read_board(old, Ask(side=side))
    places, refs = known_refs(board)
    nearest = np.hypot(*(places[:, None, :] - true_places[None, :, :]).transpose(2, 0, 1)).argmin(axis=1)
    wrong = [
        (ref, true_refs[n]) for ref, n in zip(refs, nearest, strict=True) if ref not in ("", true_refs[n])
    ]
    assert not wrong
    # The USB connector's middle is not that of its pads, so it stays nameless rather than guessed.
    assert sum(1 for ref in refs if ref) >= 0.8 * len(refs)
    assert any("counts from another origin" in problem.what for problem in board.problems)


def test_a_centroid_file_that_disagrees_is_told(tmp_path):
    text = centroid_text().replace("C5,0402,1141.732283,", "C5,0402,900,")
    assert text != centroid_text()
    lines = [line for line in text.splitlines() if not line.startswith("R9,")]
    (gerbers(tmp_path) / "pnp.csv").write_text("\n".join(lines))
    whats = [problem.what for problem in read_board(tmp_path, Ask(side=Side.TOP)).problems]
    assert any(what.startswith("C5 stands 5.6") for what in whats)
    assert any(what.startswith("R9 have pads") for what in whats)
    assert not any(what.startswith("C4 stands") for what in whats)


def test_a_centroid_file_of_another_board_names_nothing(tmp_path):
    rng = np.random.default_rng(4)
    rows = [f"X{n},{x:.3f},{y:.3f},0,top" for n, (x, y) in enumerate(rng.uniform(0, 90, (40, 2)))]
    old = gerbers(tmp_path, "rs274x")
    (old / "GREENLOG.IPC").unlink()
    (old / "pnp.csv").write_text("ref,x (mm),y (mm),rot,side\n" + "\n".join(rows))
    board = read_board(old, Ask(side=Side.TOP))
    assert any("fit no pads" in problem.what for problem in board.problems)
    assert not any(pad.ref for pad in board.pads)


def test_a_netlist_that_disagrees_with_the_copper_is_told(tmp_path):
    from pastewright.demo.board import netlist_text

    text = netlist_text().replace("R9    -1", "R8    -1").replace("   R9 ", "   R8 ")
    assert text != netlist_text()
    (gerbers(tmp_path) / "logger.ipc").write_text(text)
    whats = [problem.what for problem in read_board(tmp_path, Ask(side=Side.TOP)).problems]
    assert any("named differently by netlist and copper" in what for what in whats)
