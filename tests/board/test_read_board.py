"""From a folder or zip of files to a board: roles, gathered problems, checksums, and damage of every kind."""

import hashlib
import zipfile
from functools import cache
from math import hypot
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pytest import approx

from pastewright.board.ask import Ask
from pastewright.board.model import Board, LayerRole, Pad, PadKind, PasteOrigin, Side
from pastewright.board.read import read_board
from pastewright.demo.board import demo_files
from pastewright.dose.exposed import shrunk_openings
from pastewright.problems import InputError, Severity

HEAD = (
    "%FSLAX46Y46*%\n%MOMM*%\n%ADD10C,0.1*%\n%ADD11R,1X0.5*%\n%ADD12R,1.2X0.7*%\n%ADD13C,1.7*%\nG01*\n%LPD*%\n"
)
PADS = "D{0}*\nX5000000Y5000000D03*\nX8000000Y5000000D03*\nX5000000Y9000000D03*\n"
EDGE = "D10*\nX0Y0D02*\nX20000000Y0D01*\nX20000000Y15000000D01*\nX0Y15000000D01*\nX0Y0D01*\n"
HOLE = "D13*\nX15000000Y7000000D03*\n"
DRILL = "M48\nMETRIC,TZ\nT1C1.000\n%\nG90\nG05\nT1\nX15.0Y7.0\nM30\n"


def gerber(body: str) -> bytes:
    return (HEAD + body + "M02*\n").encode()


def files() -> dict[str, bytes]:
    return {
        "logger-F_Paste.gtp": gerber(PADS.format(11)),
        "logger-F_Cu.gtl": gerber(PADS.format(11) + HOLE),
        "logger-F_Mask.gts": gerber(PADS.format(12) + HOLE),
        "logger-B_Cu.gbl": gerber(HOLE),
        "logger-B_Mask.gbs": gerber(HOLE),
        "logger-Edge_Cuts.gm1": gerber(EDGE),
        "logger-PTH.drl": DRILL.encode(),
        "readme.txt": b"Soil moisture logger, second build.\n",
    }


def folder(path: Path, contents: dict[str, bytes]) -> Path:
    path.mkdir(exist_ok=True)
    for name, data in contents.items():
        (path / name).write_bytes(data)
    return path


def pasted_mm2(board: Board) -> float:
    return sum(pad.aperture_area_mm2 for pad in board.pads)


def refused(path: Path, side: Side = Side.TOP, **more: object) -> InputError:
    with pytest.raises(InputError) as caught:
        read_board(path, Ask(side=side, **more))  # type: ignore[arg-type]
    assert caught.value.problems
    assert all(problem.what for problem in caught.value.problems)
    return caught.value


def test_a_folder_becomes_a_board_named_like_it(tmp_path: Path):
    board = read_board(folder(tmp_path / "logger", files()), Ask(side=Side.TOP))
    assert board.name == "logger" and board.size_mm == approx((20, 15))
    assert pasted_mm2(board) == approx(1.5) and len(board.holes) == 1
    assert sorted(pad.kind for pad in board.pads) == [PadKind.SURFACE] * 3 + [PadKind.THROUGH_HOLE]


def test_a_zip_gives_the_same_board_as_the_folder_it_was_made_from(tmp_path: Path):
    path = tmp_path / "logger.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in files().items():
            archive.writestr(name, data)
    packed = read_board(path, Ask(side=Side.TOP))
    plain = read_board(folder(tmp_path / "logger", files()), Ask(side=Side.TOP))
    assert packed == plain


def test_every_file_is_accounted_for(tmp_path: Path):
    board = read_board(folder(tmp_path / "logger", files()), Ask(side=Side.TOP))
    uses = {use.file: use for use in board.layers}
    assert set(uses) == set(files())
    assert {name for name, use in uses.items() if not use.used} == {
        "logger-B_Cu.gbl",
        "logger-B_Mask.gbs",
        "readme.txt",
    }
    assert uses["logger-B_Cu.gbl"].note == "not needed for this side"
    assert all(use.how for use in board.layers)
    assert all(use.note for use in board.layers if not use.used)


def test_the_checksum_changes_with_any_byte_and_with_nothing_else(tmp_path: Path):
    first = read_board(folder(tmp_path / "logger", files()), Ask(side=Side.TOP))
    again = read_board(folder(tmp_path / "other", files()), Ask(side=Side.TOP, name="logger"))
    assert first.inputs_sha256 == again.inputs_sha256
    assert len(first.inputs_sha256) == hashlib.sha256().digest_size * 2
    changed = files() | {"readme.txt": b"Soil moisture logger, third build.\n"}
    assert (
        read_board(folder(tmp_path / "third", changed), Ask(side=Side.TOP)).inputs_sha256
        != first.inputs_sha256
    )


def test_the_side_chooses_the_layers(tmp_path: Path):
    board = read_board(folder(tmp_path / "logger", files()), Ask(side=Side.BOTTOM))
    assert board.mirrored and board.side is Side.BOTTOM
    assert board.paste_origin is PasteOrigin.EXPOSED_COPPER
    assert [pad.kind for pad in board.pads] == [PadKind.THROUGH_HOLE]
    assert pasted_mm2(board) == 0.0
    assert any("left to paste" in problem.what for problem in board.problems)


def test_the_shrinkage_reaches_the_paste(tmp_path: Path):
    contents = files()
    del contents["logger-F_Paste.gtp"]
    board = shrunk_openings(read_board(folder(tmp_path / "logger", contents), Ask(side=Side.TOP)), 0.05)
    assert pasted_mm2(board) == approx(3 * 0.9 * 0.4)


def test_an_override_gives_an_unknown_file_its_role(tmp_path: Path):
    contents = files()
    contents["stencil one.dat"] = contents.pop("logger-F_Paste.gtp")
    path = folder(tmp_path / "logger", contents)
    overrides = {"stencil one.dat": LayerRole.TOP_PASTE}
    board = read_board(path, Ask(side=Side.TOP, roles=overrides))
    assert board.paste_origin is PasteOrigin.PASTE_LAYER and pasted_mm2(board) == approx(1.5)


def test_problems_of_all_layers_come_together(tmp_path: Path):
    broken = gerber("D77*\nX0Y0D03*\n")
    path = folder(tmp_path / "logger", files() | {"logger-F_Paste.gtp": broken, "logger-F_Mask.gts": broken})
    error = refused(path)
    assert {problem.file for problem in error.problems if problem.severity is Severity.ERROR} == {
        "logger-F_Paste.gtp",
        "logger-F_Mask.gts",
    }
    assert all(problem.line for problem in error.problems if problem.severity is Severity.ERROR)


def test_a_broken_layer_of_the_other_side_does_not_matter(tmp_path: Path):
    path = folder(tmp_path / "logger", files() | {"logger-B_Cu.gbl": gerber("D77*\nX0Y0D03*\n")})
    assert pasted_mm2(read_board(path, Ask(side=Side.TOP))) == approx(1.5)
    refused(path, Side.BOTTOM)


def test_two_paste_layers_of_one_side_must_be_told_apart_by_the_person(tmp_path: Path):
    path = folder(tmp_path / "logger", files() | {"panel-F_Paste.gtp": gerber(PADS.format(12))})
    error = refused(path)
    assert any("2 files claim to be the top paste layer" in problem.what for problem in error.problems)
    board = read_board(path, Ask(side=Side.TOP, roles={"panel-F_Paste.gtp": LayerRole.OTHER}))
    assert pasted_mm2(board) == approx(1.5)


def test_the_wrong_layer_given_as_paste_is_refused_with_a_way_out(tmp_path: Path):
    wrong = gerber("D11*\nX15000000Y12000000D03*\nX17000000Y12000000D03*\n")
    error = refused(folder(tmp_path / "logger", files() | {"logger-F_Paste.gtp": wrong}))
    assert any("no paste layer of this side" in problem.what and problem.mend for problem in error.problems)


def test_a_folder_without_fabrication_files_is_refused(tmp_path: Path):
    error = refused(folder(tmp_path / "logger", {"readme.txt": b"nothing here\n"}))
    assert "readme.txt" in error.problems[0].what and error.problems[0].mend


def test_a_bad_netlist_costs_names_but_not_the_board(tmp_path: Path):
    netlist = b"P  UNITS CUST 0\n317GND   broken record without any place\n999\n"
    board = read_board(folder(tmp_path / "logger", files() | {"logger.ipc": netlist}), Ask(side=Side.TOP))
    assert pasted_mm2(board) == approx(1.5)
    assert any(
        problem.severity is Severity.WARNING and problem.file == "logger.ipc" for problem in board.problems
    )


def test_warnings_of_the_readers_travel_with_the_board(tmp_path: Path):
    unended = gerber(PADS.format(11)).replace(b"M02*\n", b"")
    board = read_board(
        folder(tmp_path / "logger", files() | {"logger-F_Cu.gtl": unended}), Ask(side=Side.TOP)
    )
    assert any(problem.file == "logger-F_Cu.gtl" for problem in board.problems)
    assert not any(problem.severity is Severity.ERROR for problem in board.problems)


def damaged(data: bytes, cuts: list[tuple[int, int, bytes]]) -> bytes:
    """Each cut replaces some bytes at a place (counted round the file) by others."""
    for place, length, instead in cuts:
        at = place % (len(data) + 1)
        data = data[:at] + instead + data[at + length :]
    return data


WORDS = st.sampled_from(
    [b"%", b"*", b"D03*", b"%LPC*%", b"G36*", b"G37*", b"-", b"9999999999", b"\x00", b"%SRX3Y3I9J9*%", b""]
)
CUTS = st.lists(
    st.tuples(st.integers(0, 10**6), st.integers(0, 40), WORDS | st.binary(max_size=6)),
    min_size=1,
    max_size=4,
)


@settings(deadline=None, max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(sorted(files())), cuts=CUTS, side=st.sampled_from(Side))
def test_damaged_files_give_a_board_or_an_input_error_and_never_a_traceback(
    tmp_path: Path, name: str, cuts: list[tuple[int, int, bytes]], side: Side
):
    contents = files()
    contents[name] = damaged(contents[name], cuts)
    path = folder(tmp_path / "logger", contents)
    try:
        board = read_board(path, Ask(side=side))
    except InputError as error:
        assert error.problems
        return
    assert len({pad.id for pad in board.pads}) == len(board.pads)
    assert all(pad.land.is_valid and pad.land.area > 0 for pad in board.pads)
    assert all(aperture.shape.area > 0 for pad in board.pads for aperture in pad.apertures)


def demo(tmp_path: Path, flavour: str, side: Side, **more: object) -> Board:
    path = folder(tmp_path / flavour, demo_files(flavour))  # type: ignore[arg-type]
    return read_board(path, Ask(side=side, **more))  # type: ignore[arg-type]


def paired(one: Board, other: Board) -> list[tuple[Pad, Pad]]:
    """Pads of both boards that stand in one place, to within the rounding of inch files (0.01 mm)."""
    pairs = []
    for pad in one.pads:
        centre = pad.land.centroid
        near = min(other.pads, key=lambda each: each.land.centroid.distance(centre))
        assert near.land.centroid.distance(centre) < 0.01, pad.id
        pairs.append((pad, near))
    assert len({pad.id for _, pad in pairs}) == len(other.pads) == len(one.pads)
    return pairs


@pytest.mark.parametrize("side", Side)
def test_both_flavours_of_the_demo_board_give_the_same_pads_kinds_and_areas(tmp_path: Path, side: Side):
    new, old = demo(tmp_path, "x2", side), demo(tmp_path, "rs274x", side)
    assert new.size_mm == approx(old.size_mm, abs=1e-3)
    assert len(new.holes) == len(old.holes) and len(new.fiducials) == len(old.fiducials) > 0
    pairs = paired(new, old)
    assert [pad.kind for pad, _ in pairs] == [pad.kind for _, pad in pairs]
    assert [len(pad.apertures) for pad, _ in pairs] == [len(pad.apertures) for _, pad in pairs]
    for pad, same in pairs:
        assert pad.land.area == approx(same.land.area, rel=2e-3)
        assert pad.aperture_area_mm2 == approx(same.aperture_area_mm2, rel=2e-3)
    assert pasted_mm2(new) == approx(pasted_mm2(old), rel=1e-4) and pasted_mm2(new) > 1.0


@pytest.mark.parametrize("side", Side)
def test_the_demo_board_without_any_names_keeps_its_paste_and_its_kinds(tmp_path: Path, side: Side):
    named = demo(tmp_path, "rs274x", side)
    netlists = {use.file: LayerRole.OTHER for use in named.layers if use.role is LayerRole.NETLIST}
    assert netlists
    bare = demo(tmp_path, "rs274x", side, roles=netlists)
    assert not any(pad.ref for pad in bare.pads) and any(pad.ref for pad in named.pads)
    assert pasted_mm2(bare) == approx(pasted_mm2(named), rel=1e-9)
    assert [pad.kind for pad in bare.pads] == [pad.kind for pad in named.pads]


def test_the_demo_boards_windowed_land_is_one_thermal_pad(tmp_path: Path):
    board = demo(tmp_path, "x2", Side.TOP)
    (thermal,) = (pad for pad in board.pads if pad.kind is PadKind.THERMAL)
    assert len(thermal.apertures) > 1
    centre = thermal.land.centroid
    assert all(
        hypot(a.shape.centroid.x - centre.x, a.shape.centroid.y - centre.y) < 2 for a in thermal.apertures
    )
    assert 0.3 < thermal.aperture_area_mm2 / thermal.land.area < 0.9


def test_the_demo_board_without_a_paste_layer_pastes_the_same_surface_pads(tmp_path: Path):
    full = demo(tmp_path, "x2", Side.TOP)
    paste = {use.file: LayerRole.OTHER for use in full.layers if use.role is LayerRole.TOP_PASTE}
    bare = demo(tmp_path, "x2", Side.TOP, roles=paste)
    assert bare.paste_origin is PasteOrigin.EXPOSED_COPPER
    through = {pad.id for pad in full.pads if pad.kind is PadKind.THROUGH_HOLE}
    assert {pad.id for pad in bare.pads if pad.apertures} == {
        pad.id for pad in full.pads if pad.apertures
    } - through


@cache
def demo_contents(flavour: str) -> dict[str, bytes]:
    return demo_files(flavour)  # type: ignore[arg-type]


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    flavour=st.sampled_from(["x2", "rs274x"]),
    number=st.integers(0, 50),
    cuts=CUTS,
    side=st.sampled_from(Side),
)
def test_a_damaged_demo_board_gives_a_board_or_an_input_error_and_never_a_traceback(
    tmp_path: Path, flavour: str, number: int, cuts: list[tuple[int, int, bytes]], side: Side
):
    contents = dict(demo_contents(flavour))
    name = sorted(contents)[number % len(contents)]
    contents[name] = damaged(contents[name], cuts)
    try:
        board = read_board(folder(tmp_path / flavour, contents), Ask(side=side))
    except InputError as error:
        assert error.problems
        return
    assert len({pad.id for pad in board.pads}) == len(board.pads)
    assert all(pad.land.is_valid and pad.land.area > 0 for pad in board.pads)


def test_drills_written_as_gerber_are_read_as_holes(tmp_path: Path):
    contents = files()
    del contents["logger-PTH.drl"]
    head = "%TF.FileFunction,Plated,1,2,PTH*%\n%FSLAX46Y46*%\n%MOMM*%\n%TA.AperFunction,ComponentDrill*%\n%ADD10C,1.0*%\n"
    contents["logger-PTH-drl.gbr"] = (head + "D10*\nX15000000Y7000000D03*\nM02*\n").encode()
    board = read_board(folder(tmp_path, contents), Ask(side=Side.TOP))
    hole = next(pad.hole for pad in board.pads if pad.kind is PadKind.THROUGH_HOLE)
    assert hole is not None
    assert (hole.x_mm, hole.y_mm, hole.diameter_mm) == approx((15.0, 7.0, 1.0))
    assert hole.plated is True


def test_unconnected_pads_share_no_net(tmp_path: Path):
    contents = files()
    names = "%TO.P,U1,{0}*%\n%TO.N,N/C*%\n"
    flashes = ["X5000000Y5000000D03*\n", "X8000000Y5000000D03*\n", "X5000000Y9000000D03*\n"]
    body = "D11*\n" + "".join(names.format(pin) + flash for pin, flash in enumerate(flashes, 1))
    contents["logger-F_Cu.gtl"] = gerber(body)
    board = read_board(folder(tmp_path, contents), Ask(side=Side.TOP))
    pasted = [pad for pad in board.pads if pad.apertures]
    assert [pad.ref for pad in pasted] == ["U1"] * 3
    assert [pad.net for pad in pasted] == [""] * 3  # Gerber format specification: .N "N/C" is not a net
