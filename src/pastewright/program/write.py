"""`Motions` to a `Program`: the text for one controller, every mode that it relies on stated in it.

    header (comments) · modes · moves, section by section, deposit by deposit · end

Each move stands on a line that is complete in itself: the code, the axes that move, and F. So a line that is
lost or repeated changes nothing about the speed of the next one. What was decided about places, speeds and
plunger came with the `Motions`; what differs between languages is in `dialects`.
"""

from collections.abc import Mapping
from functools import lru_cache, reduce
from math import dist, floor, log10
from operator import xor

from pastewright.motion.model import Motions, Move, Step
from pastewright.problems import one_error
from pastewright.profile.model import BeadFeed, DialectName, PlungerMode, Profile
from pastewright.program.dialects import DIALECTS, Command, Dialect
from pastewright.program.model import Header, Program
from pastewright.program.plunger_words import PlungerWords, plunger_words

FEED_DIGITS = 6
"""Significant digits of F; far finer than any controller's clock."""

PLUNGER_SETS_TIME = frozenset((Step.PUSH, Step.RETRACT))
"""Steps whose speed is the plunger's; X and Y are stated where the tip runs into or out of a bead meanwhile."""

VERTICAL = frozenset((Step.LOWER, Step.LIFT))
"""Steps that may press or draw back on the way; the tip's speed is theirs."""

OTHER_LINES = 20
"""Numbered lines besides the moves and the changes of feed mode, at most."""

SAFETY = (
    "Home all axes first. This program trusts the positions it finds.",
    "First run in the air, tip well above the board and paste off: pastewright plan --dry writes that program.",
    "The gantry moves by itself and pinches, and so does the plunger: hands off, know where your stop is.",
    "A wrong board height drives the tip into the board. Use blunt tips, wear glasses: the barrel keeps pressure.",
    "Flux fumes, lead in some alloys: the paste maker's data sheet and your local rules come first.",
)
"""Cautions for the person at the bench; the report says the same at more length."""


def write_program(motions: Motions, profile: Profile, header: Header, labels: Mapping[int, str]) -> Program:
    """Return the program of `motions` in the dialect of the profile's controller.

    `labels` maps a deposit's index to the words of the comment before it. Raises `InputError` where the
    controller's settings contradict each other, as a checked profile never does.
    """
    _check(profile)
    dialect = DIALECTS[profile.controller.dialect]
    timed = (Step.LAY, *VERTICAL)
    most = OTHER_LINES + len(motions.moves) + 2 * sum(move.step in timed for move in motions.moves)
    lines = _Lines(dialect, profile, most=most)
    for text in _header_lines(header, motions):
        lines.comment(text)
    if lines.too_many:
        lines.comment("line numbers are left out: there are more lines than RS274/NGC has numbers")
    numbered = profile.controller.line_numbers and not lines.too_many
    for command in dialect.first(numbered):
        lines.command(command)
    for command in dialect.opening(profile.plunger.letter, profile.controller.plunger_mode):
        lines.command(command)
    deposit_lines = _Walk(lines, dialect, profile, labels).moves(motions)
    lines.comment("end")
    for command in dialect.closing(profile.plunger.letter):
        lines.command(command)
    return Program(text="\n".join(lines.text) + "\n", suffix=dialect.suffix, deposit_lines=deposit_lines)


def _check(profile: Profile) -> None:
    controller, letter = profile.controller, profile.plunger.letter
    relative = controller.plunger_mode is PlungerMode.RELATIVE
    if relative and (controller.dialect is DialectName.NGC or letter != "E"):
        raise one_error(
            f"plunger_mode is relative, but nothing tells this controller to take {letter} alone as a distance",
            'Write plunger_mode = "absolute"; only the letter E of the reprap dialect has a mode of its own (M83).',
            file=profile.file,
        )
    if controller.bead_feed is BeadFeed.INVERSE_TIME and controller.dialect is DialectName.REPRAP:
        raise one_error(
            "bead_feed is inverse-time, but printer controllers do not know G93",
            'Write bead_feed = "path".',
            file=profile.file,
        )


def _header_lines(header: Header, motions: Motions) -> list[str]:
    minutes, seconds = divmod(round(header.machine_s), 60)
    pads = "pad" if header.pads == 1 else "pads"
    deposits = "deposit" if header.deposits == 1 else "deposits"
    lines = [
        f"pastewright {header.version}: solder paste for {header.board}, {header.side} side",
        f"profile: {header.profile}",
        f"paste: {header.paste}",
        f"tip: {header.tip}",
        f"totals: {header.paste_ul:.2f} uL in {header.deposits} {deposits} on {header.pads} {pads},"
        f" {minutes} min {seconds:02d} s",
        f"files sha256: {header.inputs_sha256 or 'unknown'}",
        f"profile sha256: {header.profile_sha256 or 'unknown'}",
    ]
    if header.job_sha256:
        lines.append(f"job sha256: {header.job_sha256}")
    if motions.dry:
        lines.append("dry run: plunger still, tip lifted")
    return [*lines, "SAFETY", *SAFETY]


# Before these steps of a bead controllers are made to stand. They run through corners, and so into a bead and out of it
# without the ramps of a plunger that is slow to get going: beads came out up to 6 % short (bench/look_ahead.py). Printer
# controllers take four commands ahead of one that waits; a stop before the bead would leave its lift to a host that
# may be gone.
BEAD_STOPS = {
    DialectName.REPRAP: frozenset({Step.RETRACT}),
    DialectName.NGC: frozenset({Step.LAY, Step.RETRACT}),
}


class _Lines:
    """Lines of text, numbered and summed up as the controller wants them."""

    def __init__(self, dialect: Dialect, profile: Profile, *, most: int) -> None:
        self.text: list[str] = []
        self.too_many = (
            profile.controller.line_numbers and dialect.most_lines > 0 and most > dialect.most_lines
        )
        self._comment = dialect.comment
        self._numbered = profile.controller.line_numbers and not self.too_many
        self._checked = profile.controller.checksums
        self._number = 0 if dialect.first(self._numbered) else 1

    def comment(self, text: str) -> None:
        self.text.append(self._comment(text))

    def command(self, command: Command) -> None:
        if command.note:
            self.comment(command.note)
        self.code(command.text)

    def code(self, text: str) -> None:
        if self._numbered:
            text = f"N{self._number} {text}"
            self._number += 1
            if self._checked:
                text = f"{text}*{checksum(text)}"
        self.text.append(text)


def checksum(line: str) -> int:
    """Return the exclusive-or of all bytes of a line, as printer controllers check it."""
    return reduce(xor, line.encode("ascii"), 0)


class _Walk:
    """Goes through the moves, knowing what the controller has been told."""

    def __init__(self, lines: _Lines, dialect: Dialect, profile: Profile, labels: Mapping[int, str]) -> None:
        self.lines = lines
        self.dialect = dialect
        self.labels = labels
        self.plunger: PlungerWords = plunger_words(profile)
        self.relative = profile.controller.plunger_mode is PlungerMode.RELATIVE
        self.inverse_time = profile.controller.bead_feed is BeadFeed.INVERSE_TIME
        self.decimals = profile.controller.decimals
        self.scale = 10**self.decimals
        self.before: Move | None = None
        self.z: int | None = None
        """Height told last, in units of the last decimal; None before any was."""
        self._heights: dict[int, str] = {}
        self.told = 0
        """Plunger position told last, in its units; it starts at zero."""
        self.inverse = False
        self.bead_stops = BEAD_STOPS[profile.controller.dialect]
        self._in_bead = False

    def moves(self, motions: Motions) -> dict[int, int]:
        """Write every move; return the first line of each deposit (its comment), 1-based."""
        headings: dict[int, list[str]] = {}
        for index, heading in motions.sections:
            headings.setdefault(index, []).append(heading)
        deposit_lines: dict[int, int] = {}
        deposit: int | None = None
        for index, move in enumerate(motions.moves):
            if self.inverse and not (
                move.step is Step.LAY or self._runs_sideways(move) or self._in_step(move)
            ):
                self._end_inverse_time()
            if index in headings:
                for heading in headings.pop(index):
                    self.lines.comment(f"--- {heading}")
            if move.deposit != deposit:
                deposit = move.deposit
                if deposit is not None:
                    deposit_lines[deposit] = len(self.lines.text) + 1
                    self.lines.comment(f"pad {self.labels.get(deposit, 'of deposit ' + str(deposit))}")
            if move.step is Step.DWELL:
                self.lines.code(self.dialect.dwell(move.duration_s))
            else:
                self._stop_before(move.step)
                self._move(move)
            self.before = move
        self._end_inverse_time()
        for rest in headings.values():
            for heading in rest:
                self.lines.comment(f"--- {heading}")
        return deposit_lines

    def _stop_before(self, step: Step) -> None:
        """Let the controller stand still before the parts of a bead that the dialect says."""
        begins = step is Step.LAY and not self._in_bead
        ends = step is Step.RETRACT and self._in_bead
        if (begins or ends) and step in self.bead_stops:
            self.lines.code("G4 P0")
        self._in_bead = step is Step.LAY or (self._in_bead and not ends)

    def _runs_sideways(self, move: Move) -> bool:
        return self.before is not None and _sideways(self.before, move)

    def _in_step(self, move: Move) -> bool:
        """Whether the plunger goes in step with the tip's way up or down."""
        up_or_down = move.step is Step.LOWER or move.step is Step.LIFT
        return up_or_down and self.before is not None and move.plunger_mm != self.before.plunger_mm

    def _end_inverse_time(self) -> None:
        if self.inverse:
            self.lines.code("G94")
            self.inverse = False

    def _move(self, move: Move) -> None:
        """Write one move; nothing where no axis does."""
        step = move.step
        running = (step is Step.PUSH or step is Step.RETRACT) and self._runs_sideways(move)
        path = self._path_words(move, running=running)
        words = path + self._plunger_words(move)
        if not words:
            return
        code = self.lines.code
        rapid = step is Step.TRAVEL or step is Step.RAISE
        if rapid and not self.dialect.rapid_has_feed:
            code(f"G0{words}")
        elif self.inverse_time and (step is Step.LAY or running or self._in_step(move)):
            if not self.inverse:
                code("G93")
                self.inverse = True
            code(f"G1{words} F{feed_text(_per_minute(self.before, move))}")
        elif running:
            code(f"G1{words} F{feed_text(_run_feed(self.before, move, self.scale))}")
        else:
            feed = move.speed_mm_s * 60 if path else self.plunger.feed_per_min(move.speed_mm_s)
            code(f"{'G0' if rapid else 'G1'}{words} F{feed_text(feed)}")

    def _path_words(self, move: Move, *, running: bool) -> str:
        """X and Y of moves that go sideways, and Z where it changes."""
        d, scale = self.decimals, self.scale
        words = ""
        step = move.step
        if step is Step.TRAVEL or step is Step.LAY or running or step is Step.WIPE:
            words = f" X{round(move.x_mm * scale) / scale:.{d}f} Y{round(move.y_mm * scale) / scale:.{d}f}"
        z = round(move.z_mm * scale)
        if z != self.z:
            if z not in self._heights:
                self._heights[z] = f" Z{z / scale:.{d}f}"
            words += self._heights[z]
            self.z = z
        return words

    def _plunger_words(self, move: Move) -> str:
        before = self.before
        if before is not None and move.plunger_mm == before.plunger_mm:
            return ""
        position = self.plunger.counts(move.plunger_mm)
        if position == self.told:
            return ""
        words = f" {self.plunger.word(position - self.told if self.relative else position)}"
        self.told = position
        return words


def _per_minute(before: Move | None, move: Move) -> float:
    """Return F of inverse time [1/min]: one over the time of the way at the move's speed, ramps apart.

    The controller adds its ramps to the time asked for, as it does to a speed asked for.
    """
    if before is None:
        raise ValueError("a bead cannot be the first move")
    if move.step in PLUNGER_SETS_TIME:
        return move.speed_mm_s * 60 / abs(move.plunger_mm - before.plunger_mm)
    way_mm = dist((before.x_mm, before.y_mm, before.z_mm), (move.x_mm, move.y_mm, move.z_mm))
    return move.speed_mm_s * 60 / way_mm


def _sideways(before: Move, move: Move) -> bool:
    return (move.x_mm, move.y_mm) != (before.x_mm, before.y_mm)


def _run_feed(before: Move | None, move: Move, scale: int) -> float:
    """Return F of a run [mm/min]: such a speed along the written path that the plunger keeps its own."""
    if before is None:
        raise ValueError("a bead cannot be the first move")
    way_mm = dist(
        [round(at * scale) / scale for at in (before.x_mm, before.y_mm, before.z_mm)],
        [round(at * scale) / scale for at in (move.x_mm, move.y_mm, move.z_mm)],
    )
    return way_mm * 60 * move.speed_mm_s / abs(move.plunger_mm - before.plunger_mm)


@lru_cache(maxsize=4096)
def feed_text(feed: float) -> str:
    """Return F with `FEED_DIGITS` significant digits and never an exponent, which no controller reads."""
    if feed <= 0:
        raise ValueError(f"a move needs a speed above zero, not {feed}")
    decimals = max(0, FEED_DIGITS - 1 - floor(log10(feed)))
    text = f"{feed:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
