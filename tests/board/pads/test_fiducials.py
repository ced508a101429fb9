"""Fiducials as real boards have them: by reference, by function, small ones, three alike near the corners."""

import pytest

from pastewright.board.artwork import Artwork, Judging, Layer
from pastewright.board.gerber.read import read_gerber
from pastewright.board.model import Board, LayerRole, PadKind, Side
from pastewright.board.pads.board import board_of
from pastewright.problems import Severity

CORNERS = [(3.0, 3.0), (47.0, 3.0), (3.0, 37.0)]
PADS = [(15.0 + 4 * n, 20.0) for n in range(6)]


def xy(x_mm: float, y_mm: float) -> str:
    return f"X{round(x_mm * 1e6)}Y{round(y_mm * 1e6)}"


def dots(diameter_mm: float, places: list[tuple[float, float]], code: int, attributes: str = "") -> str:
    flashes = "".join(f"{attributes}{xy(x, y)}D03*\n" for x, y in places)
    return f"%ADD{code}C,{diameter_mm}*%\nD{code}*\n{flashes}" + ("%TD*%\n" if attributes else "")


def layer(body: str) -> Layer:
    return read_gerber(f"%FSLAX46Y46*%\n%MOMM*%\nG01*\n{body}M02*\n".encode(), "film.gbr")


def board(copper: str, mask: str, paste: str = "") -> Board:
    pads = "%ADD20R,1X0.5*%\nD20*\n" + "".join(f"{xy(x, y)}D03*\n" for x, y in PADS)
    edge = "%ADD21C,0.1*%\nD21*\n" + "X0Y0D02*\nX50000000D01*\nY40000000D01*\nX0D01*\nY0D01*\n"
    roles = (LayerRole.TOP_PASTE, LayerRole.TOP_COPPER, LayerRole.TOP_MASK)
    films = {role: layer(pads + more) for role, more in zip(roles, (paste, copper, mask), strict=True)}
    artwork = Artwork(
        what="Gerber files", judging=Judging.BY_COPPER, layers=films | {LayerRole.OUTLINE: layer(edge)}
    )
    return board_of(artwork, side=Side.TOP, name="logger")


def reasons(made: Board) -> list[str]:
    return sorted(mark.reason for mark in made.fiducials)


@pytest.mark.parametrize("name", ["FID1", "FID", "fid_3", "Fiducial2", "FM2"])
def test_a_mark_called_a_fiducial_is_one_whatever_its_opening(name):
    made = board(dots(1, CORNERS[:1], 30, f"%TO.C,{name}*%\n"), dots(1.1, CORNERS[:1], 30))
    assert reasons(made) == [f"named {name}"]


def test_a_part_called_nearly_so_is_none():
    made = board(dots(1, CORNERS[:1], 30, "%TO.C,FIDDLE1*%\n"), dots(1.1, CORNERS[:1], 30))
    assert not made.fiducials


def test_a_mark_of_half_a_millimetre_with_its_mask_opening_is_a_fiducial():
    made = board(dots(0.5, CORNERS[:1], 30), dots(1.0, CORNERS[:1], 30))
    assert reasons(made) == ["round copper of 0.50 mm without paste in a mask opening 2.0 times as wide"]
    assert not board(dots(0.4, CORNERS[:1], 30), dots(0.8, CORNERS[:1], 30)).fiducials


def test_three_alike_near_the_corners_are_fiducials_even_in_tight_openings():
    made = board(dots(1, CORNERS, 30), dots(1.1, CORNERS, 30))
    assert (
        reasons(made) == ["one of 3 alike round marks without paste, each near its corner of the board"] * 3
    )


@pytest.mark.parametrize(
    "places",
    [
        CORNERS[:2],
        [*CORNERS[:2], (25.0, 20.0)],
        [(3.0, 3.0), (5.0, 3.0), (3.0, 37.0)],
        [*CORNERS, (47.0, 37.0), (8.0, 3.0)],
    ],
)
def test_round_marks_that_lie_otherwise_are_test_points(places):
    made = board(dots(1, places, 30), dots(1.1, places, 30))
    assert not made.fiducials
    assert sum(pad.kind is PadKind.TEST_POINT for pad in made.pads) == len(places)


def test_three_of_different_sizes_are_not_alike():
    each = [(1.0, CORNERS[0]), (1.2, CORNERS[1]), (1.5, CORNERS[2])]
    copper = "".join(dots(size, [place], 30 + n) for n, (size, place) in enumerate(each))
    mask = "".join(dots(size * 1.1, [place], 30 + n) for n, (size, place) in enumerate(each))
    assert not board(copper, mask).fiducials


def test_a_pasted_mark_is_a_fiducial_when_its_reference_says_so_and_that_is_told():
    named = board(
        dots(1, CORNERS[:1], 30, "%TO.C,FID1*%\n"), dots(2, CORNERS[:1], 30), dots(1, CORNERS[:1], 30)
    )
    assert reasons(named) == ["named FID1"]
    assert sum(bool(pad.apertures) for pad in named.pads) == len(PADS)
    told = [
        problem for problem in named.problems if "are left out: over a fiducial (named FID1)" in problem.what
    ]
    assert [problem.severity for problem in told] == [Severity.WARNING]
    # Without a name the paste layer has its say; the likeness is told.
    bare = board(dots(1, CORNERS[:1], 30), dots(2, CORNERS[:1], 30), dots(1, CORNERS[:1], 30))
    assert not bare.fiducials and any("look like fiducials" in problem.what for problem in bare.problems)
