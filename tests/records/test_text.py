"""Records as text: on one line they are what Python's own writer makes of them, number by number."""

import json

import msgspec
import numpy as np
from demo_plans import plan_of
from hypothesis import given
from hypothesis import strategies as st

from pastewright.board.model import Side
from pastewright.records.plan import plan_text, text_before_verdict, verdict_text
from pastewright.records.reading import record_text


class Row(msgspec.Struct, omit_defaults=True):
    name: str = ""
    sizes: tuple[float, ...] = ()


class Sheet(msgspec.Struct):
    rows: list[Row]
    words: str
    size: float | None
    count: int


class Short(msgspec.Struct, omit_defaults=True):
    size: float = 1.0
    words: str = ""


def slowly(record):
    data = msgspec.to_builtins(record, enc_hook=float)
    return json.dumps(data, ensure_ascii=False, separators=(",", ":")) + "\n"


numbers = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(-1e-3, 1e-3),
    st.floats(-1e3, 1e3).map(lambda size: round(size, 5)),
)
rows = st.builds(Row, name=st.text(), sizes=st.lists(numbers, max_size=4).map(tuple))
sheets = st.builds(
    Sheet,
    rows=st.lists(rows, max_size=4),
    words=st.text(),
    size=st.one_of(st.none(), numbers),
    count=st.integers(-(2**60), 2**60),
)


@given(sheets)
def test_a_record_on_one_line_is_what_python_writes(sheet):
    assert record_text(sheet) == slowly(sheet)


def test_numbers_of_many_zeros_of_numpy_and_words_that_look_like_them():
    sizes = (1e-5, -1.2e-5, 9.99e-5, 1e-4, 1.5e-7, 1e16, 1.25e17, 10.00001, 0.0, -0.0)
    sheet = Sheet(rows=[Row(name="e5", sizes=sizes)], words="1e-5, 0.00001", size=np.float64(3e-5), count=3)
    assert record_text(sheet) == slowly(sheet)
    assert record_text(Short()) == "{}\n"
    assert record_text(Short(size=2e-6)) == '{"size":2e-06}\n'


def test_a_plan_s_text_is_its_text_before_the_verdict_and_the_verdict():
    record = plan_of(Side.TOP).record
    assert plan_text(record) == slowly(record)
    before = b"".join(text_before_verdict(record))
    assert (before + verdict_text(record.verdict)).decode() == plan_text(record)
    assert b'"verdict"' not in before
