"""Lines of a program to blocks: the number of the line, its words, and what a controller would refuse.

Two manners of spelling. RS274/NGC (NISTIR 6556, section 3.3): blanks and case mean nothing, comments stand
in round brackets or after a semicolon, numbers may be expressions. Printer firmware ("reprap"; public
conventions of that family of controllers): words are apart, letters are capital, a line may carry `*` and a
checksum, the exclusive-or of all characters before the `*`.

A line is read whole before anything acts on it, and a bad one raises `LineError`.
"""

import re
from collections.abc import Mapping
from typing import NamedTuple

from pastewright.readback.text.expressions import NUMBER_PATTERN, ExpressionReader, LineError, parameter_index

LONGEST = 256  # characters of a line, NISTIR 6556 section 3.3.1; printer firmware takes fewer
LARGEST_NUMBER = 99_999  # of a line in RS274/NGC, section 3.3.3

_REPRAP_WORD = re.compile(rf"([A-Z])({NUMBER_PATTERN})?", re.ASCII)
_REPRAP_LINE = re.compile(rf"(?:\s*[A-Z](?:{NUMBER_PATTERN})?)*\s*", re.ASCII)
_REPRAP_STEP = re.compile(rf"\s*[A-Z](?:{NUMBER_PATTERN})?", re.ASCII)
_BRACKET_COMMENT = re.compile(r"\([^()]*\)", re.ASCII)
_ANY_COMMENT = re.compile(r"\([^()]*\)|;.*", re.ASCII)
_CHECKSUM = re.compile(r"\*(\d{1,3})\s*$", re.ASCII)
_MESSAGE = re.compile(r"\s*(?:N\d+\s+)?M11[78]\b", re.ASCII)
_NGC_PLAIN = re.compile(rf"(?:[a-mo-z]{NUMBER_PATTERN})*", re.ASCII)
_NGC_WORD = re.compile(rf"([a-z])({NUMBER_PATTERN})", re.ASCII)
_NGC_NUMBER = re.compile(r"n(\d{1,5})(?![\d.])", re.ASCII)
_NOTHING: Mapping[int, float] = {}

Word = tuple[str, float | None]


class ReadBlock(NamedTuple):
    """A line that can be read: its `number` (N word), its words without N, and what it sets.

    `checked` is True for a line with a checksum that is right, `optional` for a line that starts with `/`. A
    value of None is a letter that stands alone, as in `G28 X`. `settings` are parameters (#3=…) and `unset`
    parameters that were read before any line set them. `mark` is True for the line `%`.
    """

    number: int | None = None
    words: tuple[Word, ...] = ()
    checked: bool = False
    optional: bool = False
    mark: bool = False
    settings: tuple[tuple[int, float], ...] = ()
    unset: tuple[int, ...] = ()


EMPTY = ReadBlock()


def reprap_block(text: str) -> ReadBlock:
    """Return the block of one line in the manner of printer firmware; LineError when it would be refused."""
    if ";" in text:
        text = text[: text.index(";")]
    checked = False
    if "*" in text:
        text = _without_checksum(text)
        checked = True
    if "(" in text or ")" in text:
        text = _BRACKET_COMMENT.sub(" ", text)
    if _MESSAGE.match(text):
        text = text[: text.index("M11") + 4]
    if len(text) > LONGEST:
        raise LineError(f"the line has {len(text)} characters; {LONGEST} are allowed")
    if not _REPRAP_LINE.fullmatch(text):
        raise LineError(_what_is_wrong(text))
    found = _REPRAP_WORD.findall(text)
    if not found:
        return EMPTY
    words: list[Word] = [(letter, float(value) if value else None) for letter, value in found]
    number = None
    if words[0][0] == "N":
        number = _line_number(words[0][1])
        del words[0]
    return ReadBlock(number, tuple(words), checked)


def _without_checksum(text: str) -> str:
    match = _CHECKSUM.search(text)
    body = text[: text.index("*")]
    if not match or match.start() != len(body):
        raise LineError("after '*' a checksum of 0 to 255 must end the line")
    total = 0
    for byte in body.encode("utf-8", "replace"):
        total ^= byte
    if total != int(match.group(1)):
        raise LineError(
            f"the checksum is {match.group(1)}, the line gives {total}: it was changed or damaged"
        )
    return body


def _what_is_wrong(text: str) -> str:
    at = 0
    while match := _REPRAP_STEP.match(text, at):
        at = match.end()
    return f"cannot read {text[at : at + 12].strip()!r}; words are a capital letter and a number"


def _line_number(value: float | None) -> int:
    if value is None or value < 0 or value != int(value):
        raise LineError("the line's number (N) must be a whole number")
    return int(value)


def ngc_block(text: str, parameters: Mapping[int, float] = _NOTHING) -> ReadBlock:
    """Return the block of one line of RS274/NGC; LineError when an interpreter would refuse it."""
    if len(text) > LONGEST:
        raise LineError(f"the line has {len(text)} characters; {LONGEST} are allowed")
    text = _ngc_plain_text(text)
    if text == "%":
        return ReadBlock(mark=True)
    optional = text.startswith("/")
    if optional:
        text = text[1:]
    number = None
    if text.startswith("n"):
        match = _NGC_NUMBER.match(text)
        if not match:
            raise LineError(f"the line's number (N) must be a whole number up to {LARGEST_NUMBER}")
        number = int(match.group(1))
        text = text[match.end() :]
    if _NGC_PLAIN.fullmatch(text):
        plain = tuple((letter.upper(), float(value)) for letter, value in _NGC_WORD.findall(text))
        return ReadBlock(number, plain, optional=optional)
    return _ngc_words(text, number, optional, parameters)


def _ngc_plain_text(text: str) -> str:
    """Return the line without comments and blanks, in lower case."""
    if "(" in text or ")" in text or ";" in text:
        text = _ANY_COMMENT.sub("", text)
        if "(" in text or ")" in text:
            raise LineError("a comment is not closed, is nested, or closes twice")
    return "".join(text.split()).lower()


def _ngc_words(text: str, number: int | None, optional: bool, parameters: Mapping[int, float]) -> ReadBlock:
    """Return the block of a line that uses expressions or parameters."""
    reader = ExpressionReader(text, parameters)
    words: list[Word] = []
    settings: list[tuple[int, float]] = []
    while reader.at < len(text):
        letter = text[reader.at]
        reader.at += 1
        if letter == "#":
            if text.startswith("<", reader.at):
                raise LineError("named parameters are not read here", unknown=True)
            index = parameter_index(reader.value())
            if not text.startswith("=", reader.at):
                raise LineError(f"'=' is missing after #{index}")
            reader.at += 1
            settings.append((index, reader.value()))
        elif letter == "o":
            raise LineError("O words (loops and subroutines) are not read here", unknown=True)
        elif not ("a" <= letter <= "z"):
            raise LineError(f"cannot read {text[reader.at - 1 : reader.at + 11]!r}")
        else:
            words.append((letter.upper(), reader.value()))
    return ReadBlock(number, tuple(words), False, optional, False, tuple(settings), tuple(reader.unset))


_COMMENT = re.compile(r"\([^()]*\)")
_ODD_ENDS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029]|\r(?!\n|\Z)")
"""What some reader of lines or of wires takes for the end of a line, or acts upon: no comment may hide it."""


def uncommented(raw: str) -> str:
    """Return what of a line is no comment, in either manner."""
    return _COMMENT.sub("", raw).split(";")[0].strip()


def odd_end(text: str) -> tuple[int, str] | None:
    """Return line and reason of the first character that may end a line although it is no line feed; None without one."""
    found = _ODD_ENDS.search(text)
    if found is None:
        return None
    return (
        text.count("\n", 0, found.start()) + 1,
        f"the character {found.group()!a} ends a line for some controllers, or is acted upon: what a comment holds behind"
        " it would run",
    )
