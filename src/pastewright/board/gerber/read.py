"""A Gerber file (RS-274X, with X2 and X3 attributes) to a `Layer`: objects with filled shapes, in mm.

Written from the public Gerber layer format specification, its chapter on deprecated elements included. This module
says which part follows which statement:

    lexer        bytes to statements            toolbox   AD AM LM LR LS, the current aperture
    coordinates  FS MO, numbers to mm           canvas    SR AB, where objects go
    attributes   TF TA TO TD                    pen       D01 D02 D03, G36 G37, arcs
    image        IP MI SF OF IR AS              plot      objects to shapes, in bulk
"""

import re

from shapely.errors import GEOSException

from pastewright.board.artwork import Drawn, Layer
from pastewright.board.gerber.area import dark_area
from pastewright.board.gerber.attributes import AttributeBook, BadAttributeError, attribute_in_comment
from pastewright.board.gerber.block import PlottedBlock
from pastewright.board.gerber.budget import Budget
from pastewright.board.gerber.canvas import Canvas
from pastewright.board.gerber.complaints import Complaints
from pastewright.board.gerber.coordinates import Coordinates, Words
from pastewright.board.gerber.image import ImageCommands
from pastewright.board.gerber.lexer import StatementKind, blocks, gerber_text, shown, statements
from pastewright.board.gerber.numbers import NumberError
from pastewright.board.gerber.pen import Pen
from pastewright.board.gerber.runs import run_of
from pastewright.board.gerber.toolbox import Toolbox

__all__ = ["dark_area", "read_gerber"]

# The statement that fills Gerber files: an optional G01..G03, coordinates, an operation.
_OPERATION = re.compile(
    r"(?:G0?([123]))?(?:X([+-]?\d{1,12}))?(?:Y([+-]?\d{1,12}))?"
    r"(?:I([+-]?\d{1,12}))?(?:J([+-]?\d{1,12}))?(?:D0?([123]))?"
)
_WORD = re.compile(r"([DGIJMNXY])([+-]?(?:\d{1,15}(?:\.\d{0,15})?|\.\d{1,15}))")

_WITHOUT_IMAGE = {"IN", "LN", "PF", "IC", "IJ", "RO"}
"""Extended commands that name things or tell a photo plotter what to do, and draw nothing."""


def read_gerber(data: bytes, file: str) -> Layer:
    """Return the layer that a Gerber file draws, all lengths in mm, repeats and blocks expanded.

    `file` is the name told in messages. Raises `InputError`, and nothing else, with every problem found; what is
    odd but drawable stands in the layer's `problems`. Work and memory are bounded for any input.
    """
    complaints = Complaints(file)
    reader = _Reader(gerber_text(data, file), complaints)
    try:
        block = reader.read()
    except GEOSException as error:
        complaints.fatal(f"The shapes of the file cannot be joined ({error}).")
    problems = complaints.result()
    fields = zip(
        block.kinds,
        block.shapes,
        block.darks,
        block.attributes,
        block.lines,
        block.paths,
        block.widths_mm,
        strict=True,
    )
    objects = tuple(
        Drawn(
            kind=kind,
            shape=shape,
            dark=dark,
            attributes=attributes,
            line=line,
            path_mm=path,
            width_mm=width_mm,
        )
        for kind, shape, dark, attributes, line, path, width_mm in fields
    )
    return Layer(
        file=file, attributes=reader.book.of_file, objects=objects, problems=problems, whole=reader.ended
    )


class _Reader:
    """Takes the statements of one file and hands each to the part that follows it."""

    def __init__(self, text: str, complaints: Complaints) -> None:
        self.text = text
        self.complaints = complaints
        self.book = AttributeBook()
        self.ended = False
        budget = Budget(complaints)
        self.coordinates = Coordinates(text, complaints)
        self.image = ImageCommands(complaints, self.coordinates)
        self.toolbox = Toolbox(complaints, budget, self.coordinates, self.book)
        self.canvas = Canvas(complaints, budget, self.coordinates, self.book, self.toolbox)
        self.pen = Pen(complaints, budget, self.coordinates, self.book, self.toolbox, self.canvas)
        # None of them is bound to the reader itself: what it holds goes with it, and waits for no collector of cycles.
        self.commands = {
            "FS": self.coordinates.follow_format,
            "MO": self.coordinates.follow_mode,
            **self.pen.commands(),
            **self.toolbox.commands(),
            **self.canvas.commands(),
            **self.image.commands(),
        }

    def read(self) -> PlottedBlock:
        """Follow all statements and return what they draw."""
        operation = _OPERATION.fullmatch
        for kind, body, line in statements(self.text, self.complaints):
            if self.ended:
                self.complaints.warn(
                    "The file goes on after its end (M02); what follows is not read.",
                    "Check whether two files were joined.",
                    line=line,
                )
                break
            if kind is StatementKind.RUN:
                self._run(body, line)
            elif kind is StatementKind.WORDS:
                found = operation(body)
                if found:
                    self._operation(found, line)
                else:
                    self._words("".join(body.split()), line)
            elif kind is StatementKind.COMMENT:
                command = attribute_in_comment(body)
                if command:
                    self._attribute(command, line)
            else:
                self._extended(body, line)
        self.pen.finish()
        block = self.canvas.finished()
        if not self.ended:
            self.complaints.warn(
                "The file does not end with M02; it may have been cut off.",
                "Compare it with the design, or export it again.",
            )
        if not len(block) and not self.complaints.errors:
            self.complaints.note("The file draws nothing.")
        return self.image.applied(block).mended()

    # Word statements.

    def _run(self, body: str, line: int) -> None:
        """Follow many plain operations at once, or one by one where the state of the file asks for it."""
        run = run_of(body)
        to = self.coordinates.run_mm(run, self.pen.x_mm, self.pen.y_mm) if len(run.operations) else None
        if to is not None and self.pen.follow_run(run, to, line):
            return
        for number, statement in enumerate(body.split("*\n"), start=line):
            self._words(statement.strip("\n*"), number)

    def _operation(self, found: re.Match[str], line: int) -> None:
        code, x, y, i, j, operation = found.groups()
        if code:
            self.pen.interpolation = int(code)
        self._operate((x, y, i, j), operation, line)

    def _operate(self, words: Words, operation: str | None, line: int, *, pointed: bool = False) -> None:
        """Follow coordinates (`pointed` where they have decimal points) and an operation, if there are any."""
        pen = self.pen
        if operation:
            pen.operation = int(operation)
        elif words == (None, None, None, None):
            return
        to = None if pointed else self.coordinates.whole_numbers_mm(words, pen.x_mm, pen.y_mm)
        if to is None:
            try:
                to = self.coordinates.place_mm(words, pen.x_mm, pen.y_mm, line)
            except NumberError as error:
                self.complaints.error(f"A coordinate cannot be read: {error}.", line=line)
                return
        pen.operate(*to, line)

    def _words(self, text: str, line: int) -> None:
        """Follow any other word statement: check all of it, then act."""
        found = _OPERATION.fullmatch(text)
        if found:
            self._operation(found, line)
            return
        words = self._checked_words(text, line)
        if words is None:
            return
        operation = None
        coordinates: dict[str, str] = {}
        for letter, number in words:
            if letter == "G":
                self._g_code(int(number), line)
            elif letter == "D" and int(number) >= 10:
                self.toolbox.select(int(number))
            elif letter == "D":
                operation = number
            elif letter == "M":
                self.ended = self.ended or int(number) != 1
            else:
                coordinates[letter] = number
        x, y, i, j = (coordinates.get(letter) for letter in "XYIJ")
        pointed = any(word and "." in word for word in (x, y, i, j))
        self._operate((x, y, i, j), operation, line, pointed=pointed)

    def _checked_words(self, text: str, line: int) -> list[tuple[str, str]] | None:
        """Return the words (letter, number) of a statement; None after telling what is wrong with it."""
        words: list[tuple[str, str]] = []
        seen: set[str] = set()
        at = 0
        while at < len(text):
            word = _WORD.match(text, at)
            if not word:
                self.complaints.error(f"The statement {shown(text)} cannot be understood.", line=line)
                return None
            letter, number = word[1], word[2]
            at = word.end()
            if letter in "XYIJ" and letter in seen:
                self.complaints.error(
                    f"The statement {shown(text)} gives {letter} twice; a '*' may be missing.", line=line
                )
                return None
            known = (
                letter not in "DGM"
                or (letter == "G" and number.isdigit())
                or (letter == "D" and number.isdigit() and int(number) >= 1 and not 4 <= int(number) <= 9)
                or (letter == "M" and number.isdigit() and int(number) in (0, 1, 2, 30))
            )
            if not known:
                self.complaints.error(f"There is no {letter}{number} in Gerber files.", line=line)
                return None
            seen.add(letter)
            words.append((letter, number))
        return words

    def _g_code(self, code: int, line: int) -> None:
        if code <= 3:
            # G00, the rapid move of drill machines, is drawn as a line if a D01 comes with it.
            self.pen.interpolation = max(code, 1)
        elif code == 36:
            self.pen.open_region(line)
        elif code == 37:
            self.pen.close_region(line)
        elif code in (70, 71):
            self.coordinates.set_unit(inches=code == 70, name=f"G{code}", line=line)
        elif code in (74, 75):
            self.pen.multi_quadrant = code == 75
        elif code in (90, 91):
            self.coordinates.set_incremental(code == 91)
            if code == 91:
                self.complaints.note("Coordinates are incremental (G91), which is deprecated.", line=line)
        elif code not in (54, 55):
            # G54 and G55 stood before a selection and a flash; they say nothing more.
            self.complaints.error(
                f"G{code:02d} is not a Gerber command that can be drawn.", line=line, key=f"G{code}"
            )

    # Extended statements.

    def _extended(self, body: str, line: int) -> None:
        parts = blocks(body, line, self.complaints)
        at = 0
        while at < len(parts):
            text, where = parts[at]
            name = text[:2]
            at += 1
            if name == "AM":
                # A macro takes the blocks that follow, up to one that begins another command.
                first = at - 1
                while at < len(parts) and not parts[at][0][:2].isalpha():
                    at += 1
                self.toolbox.define_macro(parts[first:at], where)
            elif name in self.commands:
                if name in ("SR", "AB") and self.pen.in_region:
                    self.complaints.error(f"{name} stands within a region (G36).", line=where)
                    continue
                self.commands[name](text if name == "AD" else "".join(text.split()), where)
            elif name in ("TF", "TA", "TO", "TD"):
                self._attribute(text, where)
            elif name in ("IF", "KO"):
                what = "includes another file (IF)" if name == "IF" else "knocks out an area (KO)"
                self.complaints.error(f"The file {what}, which is not drawn here.", line=where)
            elif name not in _WITHOUT_IMAGE and not text.startswith("G04"):
                self.complaints.error(f"The extended command {shown(text)} is unknown.", line=where)

    def _attribute(self, text: str, line: int) -> None:
        try:
            self.book.command(text)
        except BadAttributeError as error:
            self.complaints.warn(f"An attribute is passed over: {error}.", line=line)
