"""Bytes of a terminal as keys."""

from hypothesis import given
from hypothesis import strategies as st

from pastewright.work.keys import SEQUENCES, Terminal, decoded


def test_keys_by_name() -> None:
    assert decoded("\x1b[Cu\x1b[6~3\rq\x1b") == ["right", "u", "page down", "3", "enter", "q", "escape"]


def test_a_sequence_that_is_not_known_is_one_key_and_no_letters() -> None:
    # Home, F5, Ctrl-Right: none of their bytes may be taken for a letter that moves something.
    for sequence in ("\x1b[H", "\x1b[1~", "\x1b[15~", "\x1b[1;5C", "\x1bOP"):
        assert decoded(sequence + "u") == ["unknown", "u"]


@given(st.lists(st.sampled_from(sorted(SEQUENCES)[1:] + list("xyz123")), max_size=20))
def test_keys_pressed_together_stay_apart(typed: list[str]) -> None:
    assert decoded("".join(typed)) == [SEQUENCES.get(one, one) for one in typed]


def test_what_was_typed_is_rubbed_out_one_by_one_or_all_at_once(monkeypatch, capsys) -> None:
    typed = iter(decoded("4uq\x15ny\x7f\x7fy\r"))
    keys = Terminal(lambda: "")
    keys.is_there = True
    monkeypatch.setattr(keys, "key", lambda: next(typed))
    assert keys.line("Sure? ") == "y"
    assert capsys.readouterr().out == "Sure? 4uq" + 3 * "\b \b" + "ny" + 2 * "\b \b" + "y\n"
