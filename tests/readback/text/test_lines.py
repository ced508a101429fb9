"""Spelling: what a line says, in both manners."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pastewright.readback.text.expressions import LineError
from pastewright.readback.text.lines import ngc_block, reprap_block


def test_blanks_and_case_mean_nothing_in_ngc(check_value):
    case = check_value("rs274-spaces")
    spelled = ngc_block(case.inputs["line"].value)
    plain = ngc_block(case.inputs["canonical"].value)
    assert case.agrees("equal" if spelled == plain else "different"), case.source
    assert spelled.words == (("G", 0.0), ("X", 0.1234), ("Y", 7.0))


def test_expression_of_the_standard(check_value):
    case = check_value("rs274-expr")
    words = ngc_block("x[2.0/3*1.5-5.5/11.0]").words
    assert case.agrees(words[0][1]), case.source


@pytest.mark.parametrize(("id_", "text"), [("rs274-fix", "x fix[-2.8]"), ("rs274-fup", "x FUP[-2.8]")])
def test_roundings_of_the_standard(check_value, id_, text):
    case = check_value(id_)
    assert case.agrees(ngc_block(text).words[0][1]), case.source


def test_powers_bind_before_times_and_times_before_plus():
    assert ngc_block("x[1+2*3**2]").words == (("X", 19.0),)
    assert ngc_block("x[2**3**2]").words == (("X", 64.0),)  # from left to right, not 2^9
    assert ngc_block("x[-7 mod 3]").words == (("X", 2.0),)


def test_parameters_hold_from_the_next_line_on():
    block = ngc_block("#1=5 g1 x#1", {1: 2.0})
    assert block.words == (("G", 1.0), ("X", 2.0))
    assert block.settings == ((1, 5.0),)
    assert ngc_block("x#7", {}).unset == (7,)


def test_comments_and_block_delete():
    assert ngc_block("N5 G1 (a; b) X1 ; (rest").words == (("G", 1.0), ("X", 1.0))
    assert ngc_block("/ g1 x1").optional
    assert ngc_block(" % ").mark
    assert reprap_block("G1 (inner) X1 ; rest * 5").words == (("G", 1.0), ("X", 1.0))


def test_checksum_is_the_exclusive_or_of_all_before_the_star():
    # By hand: "G1" is 0x47 ^ 0x31 = 0x76 = 118.
    block = reprap_block("G1*118")
    assert block.checked
    assert block.words == (("G", 1.0),)
    with pytest.raises(LineError, match="checksum is 117, the line gives 118"):
        reprap_block("G1*117")


@pytest.mark.parametrize(
    "line", ["g1 X1", "G1 X1.2.3", "G1 X1 0", "G1 X=3", "G1 X1*", "G1 X1*300*4", "%", "G1 (X1"]
)
def test_reprap_refuses(line):
    with pytest.raises(LineError):
        reprap_block(line)


@pytest.mark.parametrize(
    "line",
    [
        "g1 x" + "1" * 300,
        "x[1+",
        "x]",
        "x[" * 30 + "1" + "]" * 30,
        "n123456 g1",
        "n1.5 g1",
        "#<name>=3",
        "o100 sub",
        "x#" + "#" * 40 + "1",
        "x١",  # an Arabic digit one is no digit here
    ],
)
def test_ngc_refuses(line):
    with pytest.raises(LineError):
        ngc_block(line)


def test_a_message_is_not_read_as_words():
    assert reprap_block("M117 Hello World 12").words == (("M", 117.0),)


def test_exponents_are_not_numbers():
    """E is a letter of its own: X1E2 is X1 and E2, never X100."""
    assert reprap_block("G1 X1E2").words == (("G", 1.0), ("X", 1.0), ("E", 2.0))


@given(st.text(max_size=300))
def test_any_text_is_read_or_refused(text):
    for read in (reprap_block, ngc_block):
        try:
            block = read(text.replace("\n", " "))
        except LineError as error:
            assert error.what
        else:
            assert isinstance(block.words, tuple)


def test_a_long_bad_line_costs_no_more_than_a_good_one():
    """A number that could be matched in many ways would make this take for ever."""
    with pytest.raises(LineError):
        reprap_block("G1 " + "X1234567890.12 " * 16 + "?")
    with pytest.raises(LineError):
        ngc_block("G1 " + "X1234567890.12 " * 16 + "?")
