"""A small board with three fiducials, and a bench that reaches a whole tray."""

from dataclasses import replace

import pytest
from boards_by_hand import SOURCE, board, disc, hole, pad, rectangle

from pastewright.board.model import Board, Fiducial
from pastewright.place.height.heights import TipTolerance
from pastewright.plan.pipeline import Prepared, prepare
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile

MARKS = ((3.0, 3.0), (27.0, 4.0), (4.0, 17.0))


@pytest.fixture(scope="session")
def profile() -> Profile:
    return parse_profile(example_text(DEMO), "bench.toml")


@pytest.fixture(scope="session")
def ngc() -> Profile:
    return parse_profile(example_text("bench-ngc-linear-u"), "bench.toml")


@pytest.fixture(scope="session")
def small() -> Board:
    """30 × 20 mm: chips, a row of long pads (beads), a large pad; nothing symmetric."""
    pads = [
        *(pad(f"R{k}-1", rectangle(5 + 3.1 * k, 6, 0.6, 0.7), net=f"N{k}") for k in range(5)),
        *(pad(f"C{k}-1", rectangle(24, 8 + 2.3 * k, 0.9, 1.0), net=f"C{k}") for k in range(3)),
        *(pad(f"U1-{k}", rectangle(8 + 1.27 * k, 13, 0.6, 2.2), net=f"U{k}") for k in range(6)),
        pad("J1-1", rectangle(13, 9.5, 14.0, 0.7), net="J"),
        pad("L1-1", rectangle(19, 15, 1.8, 1.4), net="L"),
        *(pad(f"FID{k}", disc(x, y, 1.0), apertures=(), net="") for k, (x, y) in enumerate(MARKS)),
    ]
    marks = tuple(
        Fiducial(x_mm=x, y_mm=y, diameter_mm=1.0, reason="by hand", source=SOURCE) for x, y in MARKS
    )
    made = board(pads, holes=(hole(2.5, 10, 2.2),))
    return replace(made, fiducials=marks, size_mm=(30.0, 20.0), inputs_sha256="0" * 64)


@pytest.fixture(scope="session")
def prepared(small: Board, profile: Profile) -> Prepared:
    return prepare(small, profile)


@pytest.fixture(scope="session")
def tip() -> TipTolerance:
    return TipTolerance(outer_mm=0.51, standoff_mm=0.13, clearance_mm=2.0)
