"""XML bytes to elements, one pass, with nothing that XML can do beyond elements and text.

Declared entities (the way text is made to swell, or files are read) are refused before they are used; external
DTDs are never fetched, since nothing here opens anything. Memory is bounded by counts, not by trust.
"""

import xml.parsers.expat as expat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from pastewright.problems import InputError, Problem, one_error

MOST_ELEMENTS = 4_000_000
"""Elements of a file that is walked; nothing is kept of those that do not matter."""
MOST_KEPT = 400_000
"""Elements kept at once as nodes, some 600 bytes each."""
MOST_DEPTH = 200
"""Elements within elements; real files nest some twenty deep (common practice)."""
MOST_TEXT = 4_000_000
"""Letters of text kept for one element; style sheets have some thousands."""

Start = Callable[[str, Mapping[str, str], int], None]
End = Callable[[str], None]


@dataclass(slots=True, eq=False)
class Node:
    """An element: local `tag` without its namespace, `attributes` likewise ("label" for inkscape:label)."""

    tag: str
    attributes: dict[str, str]
    line: int
    children: list["Node"] = field(default_factory=list)
    text: str = ""


class _RefusedError(Exception):
    """Stops the parser at something that is not accepted; carries the problem."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.what)
        self.problem = problem


def walk_xml(
    data: bytes, file: str, start: Start, end: End, text: Callable[[str], None] | None = None
) -> None:
    """Call `start` (tag, attributes, line) and `end` (tag) for every element, and `text` for letters between.

    Raises `InputError` for bytes that are no XML, entities, and what is too deep or too much.
    """
    parser = expat.ParserCreate(namespace_separator="\n")
    parser.buffer_text = True
    count = depth = 0

    def refuse(what: str, mend: str) -> _RefusedError:
        return _RefusedError(Problem(what=what, mend=mend, file=file, line=parser.CurrentLineNumber))

    def started(name: str, attributes: dict[str, str]) -> None:
        nonlocal count, depth
        count += 1
        depth += 1
        if count > MOST_ELEMENTS:
            raise refuse(f"holds more than {MOST_ELEMENTS} elements", "Leave out what is not needed.")
        if depth > MOST_DEPTH:
            raise refuse(
                f"is nested deeper than {MOST_DEPTH} elements", "Ungroup the drawing, or export it again."
            )
        local = {key.rpartition("\n")[2]: value for key, value in attributes.items()}
        start(name.rpartition("\n")[2], local, parser.CurrentLineNumber)

    def ended(name: str) -> None:
        nonlocal depth
        depth -= 1
        end(name.rpartition("\n")[2])

    def entity(*_about: object) -> None:
        raise refuse(
            "declares entities, which are not accepted", "Save it as plain SVG or XML without a DTD."
        )

    def external(*_about: object) -> int:
        raise refuse("refers to something outside the file, which is not read", "Save it as one plain file.")

    parser.StartElementHandler = started
    parser.EndElementHandler = ended
    parser.EntityDeclHandler = entity
    parser.UnparsedEntityDeclHandler = entity
    parser.ExternalEntityRefHandler = external
    if text is not None:
        parser.CharacterDataHandler = text
    try:
        parser.Parse(data, True)
    except _RefusedError as refused:
        raise InputError([refused.problem]) from None
    except expat.ExpatError as error:
        raise one_error(
            f"is no well-formed XML: {expat.errors.messages[error.code]}",
            "Export it again; the file may be cut short.",
            file=file,
            line=error.lineno,
        ) from None
    except (ValueError, LookupError) as error:  # an encoding that is not known, a NUL
        raise one_error(f"is no readable XML: {error}", "Save it as UTF-8.", file=file) from None


def parse_xml(data: bytes, file: str) -> Node:
    """Return the root element with everything below it; raises `InputError` as `walk_xml` does."""
    top = Node(tag="", attributes={}, line=0)
    stack = [top]
    length = kept = 0

    def start(tag: str, attributes: Mapping[str, str], line: int) -> None:
        nonlocal kept
        kept += 1
        if kept > MOST_KEPT:
            raise one_error(
                f"holds more than {MOST_KEPT} elements", "Leave out what is no paste.", file=file, line=line
            )
        node = Node(tag=tag, attributes=dict(attributes), line=line)
        stack[-1].children.append(node)
        stack.append(node)

    def end(_tag: str) -> None:
        stack.pop()

    def text(letters: str) -> None:
        nonlocal length
        if stack[-1].tag == "style" and length < MOST_TEXT:
            length += len(letters)
            stack[-1].text += letters

    walk_xml(data, file, start, end, text)
    return top.children[0]
