"""Text of a program to what the axes do: reads every line as the controller would, from power-on.

Each line is read whole and checked whole; only then does it act. What a controller would refuse, or what
depends on a state that the program did not state, becomes a finding.
"""

from collections.abc import Mapping, Sequence

from pastewright.profile.model import Controller, DialectName
from pastewright.readback.model import Finding, FindingKind
from pastewright.readback.text.codes import MOTIONS, Code, CodeTable, Effect, ModalGroup
from pastewright.readback.text.controller import Letters, ReadController, ReadState
from pastewright.readback.text.expressions import LineError
from pastewright.readback.text.lines import ReadBlock, ngc_block, odd_end, reprap_block, uncommented
from pastewright.readback.text.ngc import NGC, ORDER
from pastewright.readback.text.plain import PLAIN_LENGTH, followed, is_comment, plain_lines
from pastewright.readback.text.reprap import REPRAP
from pastewright.readback.text.rows import ReadProgram

DIALECTS: Mapping[DialectName, CodeTable] = {DialectName.REPRAP: REPRAP, DialectName.NGC: NGC}
AXIS_LETTERS = frozenset("XYZABCUVWE")
LARGEST = 1e9  # of a word; more is no length, angle or speed of any machine, and loses digits
AT_ONCE = 4000  # lines of a run; of more, what they are spelt with takes more room than all else (measured)
MOST_M_WORDS = 4  # on a line, NISTIR 6556 section 3.3.5

_RANK = {act: rank for rank, act in enumerate(ORDER)}
_LAST = len(ORDER)
# One-shot codes whose axis words are not those of a move (section 3.4).
_TAKES_AXES = frozenset({Effect.SET_OFFSET, Effect.DATA, Effect.HOME})

Params = dict[str, float]

_NUMBERS = str.maketrans("", "", "0123456789.- ")


def interpret(text: str, settings: Controller, *, plunger_letter: str) -> ReadProgram:
    """Return what `text` makes the axes do, in the dialect and with the plunger letter of the bench."""
    reader = _Reader(settings, plunger_letter)
    line, at = 1, 0
    for found in reader.plain.many.finditer(text):
        line = reader.lines(line, text[at : found.start()].split("\n")[:-1])
        line = reader.run(line, found.group())
        at = found.end()
    reader.lines(line, text[at:].split("\n"))
    if odd := odd_end(text):
        reader.find(FindingKind.SYNTAX, *odd)
    return reader.result()


class _Reader:
    def __init__(self, settings: Controller, plunger_letter: str) -> None:
        self.dialect = DIALECTS[settings.dialect]
        self.is_ngc = settings.dialect is DialectName.NGC
        self.checksums = settings.checksums and not self.is_ngc
        self.letters = Letters(
            plunger_letter,
            plunger_letter in self.dialect.scaled_letters,
            plunger_letter in self.dialect.own_plunger_mode,
        )
        self.axes = frozenset(self.letters.all)
        self.machine = ReadController(self.dialect, self.letters)
        self.findings: list[Finding] = []
        self.parameters: dict[int, float] = {}
        self.last_number: int | None = None
        self.any_text = False
        self.framed = False
        self.ended = False
        self._after = False
        self._codes = dict(self.dialect.codes)
        self._spelt: dict[str, Code] = {}
        self.plain = plain_lines(self.dialect, plunger_letter)

    # -- lines ------------------------------------------------------------------------------------------

    def lines(self, line: int, raws: Sequence[str]) -> int:
        """Read lines one by one, the first has the number `line`; return the number of the line after them."""
        for number, raw in enumerate(raws, start=line):
            if self.ended:
                self.after_end(number, raw)
            else:
                self.read(number, raw)
        return line + len(raws)

    def run(self, line: int, text: str) -> int:
        """Read a run of plain lines, `AT_ONCE` where that says the same as one by one."""
        raws = text.split("\n")[:-1]
        for first in range(0, len(raws), AT_ONCE):
            line = self._piece(line, raws[first : first + AT_ONCE])
        return line

    def _piece(self, line: int, raws: Sequence[str]) -> int:
        # The first move is looked at for what was not stated before it.
        singly = next((n for n, raw in enumerate(raws, start=1) if not is_comment(raw)), 0)
        begun = 0 if self.machine.stated else singly
        line = self.lines(line, raws[:begun])
        rest = raws[begun:]
        if not self.ended and followed(self.plain.one.findall("\n".join([*rest, ""])), line, self.machine):
            return line + len(rest)
        return self.lines(line, rest)

    def read(self, line: int, raw: str) -> None:
        """Read one line: whole, checked, then acted upon. A bad line leaves a finding and changes nothing."""
        if is_comment(raw):
            return
        rows = len(self.machine.rows)
        try:
            if self._seen_before(line, raw):
                return
            block = ngc_block(raw, self.parameters) if self.is_ngc else reprap_block(raw)
            if not self._usable(line, block):
                return
            self._act(line, block)
            self._remember(raw, block)
        except LineError as error:
            for index in range(rows, len(self.machine.rows)):
                self.machine.arcs.pop(index, None)
            self.machine.rows.cut(rows)
            kind = FindingKind.UNKNOWN_WORD if error.unknown else FindingKind.SYNTAX
            self.find(kind, line, error.what)
            return
        for index, value in block.settings:
            self.parameters[index] = value

    def _seen_before(self, line: int, raw: str) -> bool:
        """Act on a move that is spelt like one already read and checked, its numbers apart; False for any other line.

        Most lines of a program are such moves, and reading them word by word takes most of the time.
        """
        words = raw.split(" ")
        letters = raw[len(words[0]) :].translate(_NUMBERS)
        code = self._spelt.get(words[0] + letters)
        if code is None or len(words) != len(letters) + 1 or len(raw) > PLAIN_LENGTH:
            return False
        try:
            params = {word[0]: float(word[1:]) for word in words[1:]}
        except (ValueError, IndexError):
            return False  # what is wrong with it, the slow way tells
        if max(map(abs, params.values())) > LARGEST:
            return False
        if self.dialect.one_command:
            self.machine.move(line, code, params, state=self.machine.state)
            return True
        trial = self.machine.state.copy()
        if "F" in params and not trial.inverse:
            self.machine.set_feed(params["F"], trial)
        trial.motion = code
        self.machine.move(line, code, params, state=trial)
        self.machine.state = trial
        return True

    def _remember(self, raw: str, block: ReadBlock) -> None:
        """Keep how a good move was spelt: one code, then letters with numbers, a blank before each."""
        if block.number is not None or block.checked or len(block.words) < 2:
            return
        (first, number), *others = block.words
        code = self._codes.get((first, round((number or 0.0) * 10)))
        if code is None or code.act not in (Effect.RAPID, Effect.FEED) or not self.axes.intersection(raw):
            return
        letters = "".join(letter for letter, _ in others)
        if letters.isalpha() and "G" not in letters and "M" not in letters:
            head = raw.split(" ", 1)[0]
            if raw[len(head) :].translate(_NUMBERS) == letters and None not in (value for _, value in others):
                self._spelt[head + letters] = code

    def after_end(self, line: int, raw: str) -> None:
        """A line below the end of the program: it never runs."""
        plain = uncommented(raw)
        if plain and plain != "%" and not self._after:
            self._after = True
            self.find(FindingKind.END, line, "this stands below the program's end and never runs")

    def result(self) -> ReadProgram:
        """Return everything that was gathered."""
        if self.is_ngc and not self.ended:
            self.find(FindingKind.END, 0, "the program has no end (M2, or % as it began); it may be cut off")
        doubts = [
            Finding(kind=kind, what=what, line=line) for what, (line, kind) in self.machine.doubts.items()
        ]
        findings = sorted([*self.findings, *doubts], key=lambda finding: finding.line)
        return ReadProgram(
            table=self.machine.rows.table(),
            arcs=self.machine.arcs,
            findings=tuple(findings),
            ended=self.ended,
        )

    def find(self, kind: FindingKind, line: int, what: str) -> None:
        """Add a finding."""
        self.findings.append(Finding(kind=kind, what=what, line=line))

    def _usable(self, line: int, block: ReadBlock) -> bool:
        """Return whether the block acts at all: marks, block delete and line numbers are settled here."""
        if block.mark:
            if self.any_text:
                if not self.framed:
                    self.find(FindingKind.SYNTAX, line, "% ends a program that did not begin with %")
                self.ended = True
            self.framed = self.any_text = True
            return False
        if block.number is not None and not self._number_fits(line, block):
            return False
        if not block.words and not block.settings:
            return False
        self.any_text = True
        if block.unset:
            names = ", ".join(f"#{index}" for index in block.unset)
            self.find(FindingKind.STATE, line, f"{names} is read before this program sets it")
        if block.optional:
            self.find(FindingKind.STATE, line, "a line with / runs or not by a switch of the controller")
        return not block.optional

    def _number_fits(self, line: int, block: ReadBlock) -> bool:
        """Return whether a numbered line is taken. Numbers must rise; with checksums, by one each time from an M110 on.

        A controller with checksums asks for a missing line again and never goes on; here reading goes on, so
        that the rest of the program is judged too. RS274/NGC allows any number (NISTIR 6556 section 3.3.3),
        but a number that falls or repeats is the mark of a program put together wrongly.
        """
        number, last = block.number, self.last_number
        assert number is not None
        if self.checksums and not block.checked:
            raise LineError(f"line N{number} has no checksum, and this controller is set to check them")
        if block.words and block.words[0] == ("M", 110.0):  # starts counting anew
            self.last_number = number
            return True
        if self.checksums and last is None:
            self.find(
                FindingKind.SYNTAX,
                line,
                f"line number N{number} comes before M110; a controller that counts from elsewhere asks for other lines",
            )
        if last is not None and number <= last:
            self.find(FindingKind.SYNTAX, line, f"line number N{number} follows N{last}; numbers must rise")
            return self.is_ngc
        if self.checksums and last is not None and number != last + 1:
            self.find(
                FindingKind.SYNTAX, line, f"line number N{number} follows N{last}; a line is missing between"
            )
        self.last_number = number
        return True

    # -- words ------------------------------------------------------------------------------------------

    def _act(self, line: int, block: ReadBlock) -> None:
        codes, params = self._split(block)
        machine, state = self.machine, self.machine.state
        if self.dialect.one_command:
            code = codes[0]
            self._check_letters(codes, params)
            if code.act in MOTIONS:
                machine.move(line, code, params, state=state)  # changes nothing when it fails
                return
        elif not codes and state.motion is not None and self.axes.intersection(params):
            self._check_letters((state.motion,), params)
            machine.move(line, state.motion, params, state=state)
            return
        trial = state.copy()
        if self.dialect.one_command:
            self._do(line, codes[0], params, trial)
        else:
            self._act_ngc(line, codes, params, trial)
        machine.state = trial

    def _split(self, block: ReadBlock) -> tuple[list[Code], Params]:
        """Return the codes and the other words of a line; LineError for words that cannot stand together."""
        codes: list[Code] = []
        params: Params = {}
        table = self._codes
        one = self.dialect.one_command
        m_words = 0
        for letter, value in block.words:
            if letter == "G" or letter == "M" or (letter == "T" and one and not codes):
                if value is None:
                    raise LineError(f"{letter} has no number")
                code = table.get((letter, round(value * 10)))
                if code is None or abs(value * 10 - round(value * 10)) > 1e-6:
                    raise LineError(f"{letter}{value:g} is not known here", unknown=True)
                if one and codes:
                    raise LineError(
                        "a second command on one line; controllers of this kind run only the first"
                    )
                m_words += letter == "M"
                codes.append(code)
            elif letter in params:
                raise LineError(f"{letter} comes twice")
            elif value is not None and not -LARGEST <= value <= LARGEST:
                raise LineError(f"{letter}{value:g} is beyond any machine")
            elif one and not codes:
                raise LineError(f"the line starts with {letter}, not with a command")
            else:
                params[letter] = 0.0 if value is None else value
                if value is None and not (
                    codes[0].act in (Effect.HOME, Effect.MOTORS_OFF) or codes[0].axes is False
                ):
                    raise LineError(f"{letter} has no number")
        if m_words > MOST_M_WORDS:
            raise LineError(f"{m_words} M words on one line; {MOST_M_WORDS} are allowed")
        if len(codes) > 1:
            self._check_groups(codes)
        return codes, params

    @staticmethod
    def _check_groups(codes: list[Code]) -> None:
        groups = [code.group for code in codes]
        for group in groups:
            if groups.count(group) > 1:
                raise LineError(f"two codes of one modal group ({group.value}) on one line")

    def _check_letters(self, codes: tuple[Code, ...] | list[Code], params: Params) -> None:
        for letter in params:
            if letter in self.axes:
                if any(code.axes for code in codes):
                    continue
            elif letter in self.dialect.free_letters or any(letter in code.letters for code in codes):
                continue
            elif letter in AXIS_LETTERS:
                raise LineError(f"there is no axis {letter} on this bench", unknown=True)
            raise LineError(f"the word {letter} has no use on this line", unknown=letter not in self.axes)

    def _do(self, line: int, code: Code, params: Params, state: ReadState) -> None:
        machine = self.machine
        match code.act:
            case Effect.DWELL:
                machine.dwell(line, params, state)
            case Effect.SET_OFFSET:
                machine.set_offset(line, params, state)
            case Effect.CLEAR_OFFSET | Effect.SUSPEND_OFFSET | Effect.RESTORE_OFFSET:
                machine.offsets(code, state)
            case Effect.DATA:
                machine.data(line, params, state)
            case Effect.HOME:
                if self.is_ngc:
                    machine.doubt(line, "G28 and G30 go to a place that the controller has stored")
                machine.lose_place(line, params, state)
            case Effect.MOTORS_OFF:
                machine.motors_off(state)
            case Effect.LINE_NUMBER:
                self.last_number = int(params.get("N", self.last_number or 0))
            case _:
                machine.modal(line, code, params, state)

    def _act_ngc(self, line: int, codes: list[Code], params: Params, state: ReadState) -> None:
        """Act on a line of RS274/NGC in the standard's order (section 3.7), whatever the order of its words."""
        machine = self.machine
        acts = {code.act for code in codes}
        motion = next((code for code in codes if code.group is ModalGroup.MOTION), None)
        has_axes = bool(self.axes.intersection(params))
        mover = self._mover(motion, acts, state, has_axes=has_axes)
        self._check_letters([*codes, *([mover] if mover is not None else [])], params)
        self._check_pairs(acts, params, mover)
        unit = state.unit_mm
        feed = params.get("F")
        moves = mover is not None and mover.act in MOTIONS and has_axes
        for code in sorted(codes, key=lambda code: _RANK.get(code.act, _LAST)):
            if code.act not in MOTIONS and code.act is not Effect.END:
                self._do(line, code, params, state)
        if feed is not None:
            if unit is not None and unit != state.unit_mm:
                machine.doubt(
                    line, "F stands on a line that changes the units; controllers differ on which counts"
                )
            if not state.inverse:
                machine.set_feed(feed, state)
        if motion is not None:
            state.motion = motion if motion.act in MOTIONS else None
        if moves and mover is not None:
            if Effect.MACHINE_COORDINATES in acts and state.absolute is False:
                raise LineError("G53 makes no sense with distances (G91)")
            machine.move(line, mover, params, state=state, in_machine=Effect.MACHINE_COORDINATES in acts)
        if Effect.END in acts:
            self.ended = True

    @staticmethod
    def _mover(motion: Code | None, acts: set[Effect], state: ReadState, *, has_axes: bool) -> Code | None:
        """The code that takes the axis words of a line: its own, or the one that still holds; LineError when unclear."""
        takes_axes = bool(acts & _TAKES_AXES)
        if motion is not None and motion.act in MOTIONS and takes_axes and has_axes:
            raise LineError("two codes on one line want the same axis words")
        if motion is not None or not has_axes or takes_axes:
            return motion
        if state.motion is None:
            raise LineError("axis words, but no code says how to move (G0, G1, …)")
        return state.motion

    @staticmethod
    def _check_pairs(acts: set[Effect], params: Params, mover: Code | None) -> None:
        """LineError where words of one line contradict each other."""
        if Effect.MACHINE_COORDINATES in acts and (
            mover is None or mover.act not in (Effect.RAPID, Effect.FEED)
        ):
            raise LineError("G53 needs G0 or G1")
        if mover is not None and mover.act is Effect.MOTION_OFF and any(letter in params for letter in "XYZ"):
            raise LineError("axis words, but G80 ended all moves")
