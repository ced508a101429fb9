"""Damaged files of every format: an answer or an `InputError`, never a traceback, a hang or a swollen memory.

Samples are cut, spliced, flipped and filled with strange numbers; each must be answered within 10 s and 1 GB. The
long campaign runs the same mutations by the thousand.
"""

import random
import resource
import time
from functools import cache

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pastewright.board.ask import Ask
from pastewright.board.drawn.pad_table import read_table
from pastewright.board.model import Board, Side
from pastewright.board.pads.board import board_of
from pastewright.board.parts.centroid import read_centroids
from pastewright.board.read import READERS, board_of_files, reader_of
from pastewright.board.source.files import SourceFile
from pastewright.demo.formats.centroid import centroid_text
from pastewright.demo.formats.files import FORMATS
from pastewright.problems import InputError

STRANGE = (
    b"0", b"-1", b"1e308", b"-1e308", b"nan", b"inf", b"1e-300", b"999999999999", b"", b"\x00", b"\xff\xfe", b"\xe2\x82",
    b'"', b"<", b">", b"&", b"&a;", b";", b",", b"\t", b"\n", b"%", b"url(#a)", b"1.2.3", b"--5", b"0x10", b"SECTION",
    b"ENDSEC", b"INSERT", b"use", b"path", b"Set", b"<Pad>", b"</Set>", b"MICRON", b"INCH", b"NaN NaN", b"A" * 3000,
)  # fmt: skip
LONGEST_S = 10.0
MOST_BYTES = 2**30


@cache
def sample(name: str) -> bytes:
    """A shortened sample of each format, so that many damages can be tried; whole structures are kept."""
    if name == "centroid":
        return centroid_text().encode()
    data = FORMATS[name][1]()
    if name == "table":
        return b"\n".join(data.splitlines()[:60])
    if name == "dxf":
        return _small_dxf()
    lines = data.splitlines()
    keep = 40 if name == "svg" else 60
    inner = [n for n, line in enumerate(lines) if line.startswith((b"<rect", b"<path", b"<circle", b"<Set"))]
    dropped = set(inner[keep:])
    return b"\n".join(line for n, line in enumerate(lines) if n not in dropped)


def _small_dxf() -> bytes:
    import io

    import ezdxf

    document = ezdxf.new("R2000")
    document.header["$INSUNITS"] = 4
    space = document.modelspace()
    block = document.blocks.new("pad")
    block.add_lwpolyline([(0, 0, 0.3), (2, 0, 0), (2, 1, 0)], format="xyb", close=True)
    for n in range(4):
        space.add_blockref("pad", (3 * n, 0), dxfattribs={"layer": "top_paste", "rotation": 30 * n})
    space.add_lwpolyline([(0, 5), (4, 5)], dxfattribs={"const_width": 0.5, "layer": "top_paste"})
    hatch = space.add_hatch(dxfattribs={"layer": "top_paste"})
    hatch.paths.add_polyline_path([(0, 8), (3, 8), (3, 10)], is_closed=True)
    space.add_spline([(0, 12), (2, 14), (4, 12), (0, 12)], dxfattribs={"layer": "top_paste"})
    stream = io.StringIO()
    document.write(stream)
    text = stream.getvalue()
    # Header variables and tables of styles are the same in every file; what is drawn is what matters here.
    return text.encode()


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Return the sample with one to six damages."""
    for _ in range(rng.randint(1, 6)):
        if not data:
            return data
        a, b = sorted(rng.randrange(len(data) + 1) for _ in range(2))
        b = min(b, a + rng.choice((1, 4, 20, 200, 3000)))
        match rng.randrange(7):
            case 0:
                data = data[:a]
            case 1:
                data = data[:a] + data[b:]
            case 2:
                data = data[:a] + rng.choice(STRANGE) + data[b:]
            case 3:
                data = data[:a] + data[a:b] * rng.randint(2, 6) + data[b:]
            case 4:
                data = data[:a] + bytes([rng.randrange(256)]) + data[a + 1 :]
            case 5:
                c = rng.randrange(len(data))
                data = data[:a] + data[c : c + b - a] + data[b:]
            case 6:
                numbers = [n for n in range(a, min(len(data), a + 4000)) if data[n : n + 1].isdigit()]
                if numbers:
                    n = rng.choice(numbers)
                    data = data[:n] + rng.choice(STRANGE) + data[n + 1 :]
    return data


def answered(name: str, data: bytes) -> None:
    """Read damaged bytes with the reader of their format; anything but a board or an `InputError` fails the test."""
    begin = time.process_time()
    try:
        if name == "centroid":
            assert read_centroids(data, "damaged").parts
        else:
            reader = next(reader for reader in READERS if reader.claims(sample(name)[:65536]))
            ask = Ask(side=Side.TOP, name="damaged")
            found = board_of(
                reader.read([SourceFile(name="damaged", data=data)], ask), side=ask.side, name=ask.name
            )
            assert isinstance(found, Board)
            for pad in found.pads:
                assert pad.land.is_valid
                assert 0 < pad.land.area < 2e6
                assert all(aperture.shape.area > 0 for aperture in pad.apertures)
    except InputError as error:
        assert error.problems
        assert all(problem.what and "Traceback" not in str(problem) for problem in error.problems)
    assert time.process_time() - begin < LONGEST_S


NAMES = [*FORMATS, "centroid"]


@pytest.mark.parametrize("name", NAMES)
def test_the_undamaged_sample_is_read(name):
    answered(name, sample(name))


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 2**32))
def test_a_damaged_file_is_answered(name, seed):
    answered(name, damaged(sample(name), random.Random(seed)))


@settings(max_examples=150)
@given(data=st.binary(max_size=400))
def test_any_bytes_are_claimed_or_not_but_never_crash(data):
    reader = reader_of(data)
    if reader is not None:
        try:
            board_of_files([SourceFile(name="bytes", data=data)], Ask(side=Side.TOP, name="bytes"))
        except InputError as error:
            assert error.problems


@settings(max_examples=150)
@given(
    text=st.text(alphabet="xy,;\t|.-0123456789 mwidth()hrefRd\n\"'#", max_size=300),
    units=st.sampled_from(["", "mm"]),
)
def test_any_text_is_a_table_or_is_refused(text, units):
    for columns in ("", "x,y,diameter", "x,y,width,height,-"):
        try:
            read_table(
                SourceFile(name="text", data=text.encode()),
                Ask(side=Side.TOP, name="t", units=units, columns=columns),
            )
        except InputError as error:
            assert error.problems


@pytest.mark.campaign
@pytest.mark.parametrize("name", NAMES)
def test_thousands_of_damages_are_answered_within_memory(name):
    for seed in range(3000):
        answered(name, damaged(sample(name), random.Random(seed)))
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 < MOST_BYTES
