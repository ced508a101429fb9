"""The controller that a program is read by: its modes and offsets, and what each code does to them.

A line acts on a copy of the state, which replaces the old one only when the whole line is good; so a bad line
changes nothing. Moves come out as rows of a `timeline.Timeline`. Positions are machine coordinates [mm];
those that no line has stated yet are not-a-number. The plunger counts in what its letter counts, from 0 where
the program starts.
"""

from collections.abc import Mapping
from math import inf, isnan, nan
from typing import NamedTuple

from pastewright.readback.model import FindingKind
from pastewright.readback.text.arcs import PLANES, ArcMove, arc_by_centre, arc_by_radius
from pastewright.readback.text.codes import Code, CodeTable, Effect
from pastewright.readback.text.expressions import LineError
from pastewright.readback.text.rows import AxisRows

RAPID, FEED, TIMED, DWELL, LOST = range(5)  # kinds of rows; TIMED: by G93; LOST: goes to an unknown place
AXES = ("X", "Y", "Z")
COORDINATE_SYSTEMS = 9  # G54 to G59.3

Offset = tuple[float, float, float, float]
NO_OFFSET: Offset = (0.0, 0.0, 0.0, 0.0)


class Letters(NamedTuple):
    """The letters of the bench's axes, the plunger's last."""

    plunger: str
    scaled: bool
    own_mode: bool

    @property
    def all(self) -> tuple[str, str, str, str]:
        """X, Y, Z and the plunger's letter."""
        return ("X", "Y", "Z", self.plunger)


class ReadState:
    """Everything that a line can change. None: not stated by any line so far."""

    __slots__ = (
        "absolute",
        "feed",
        "feed_scale",
        "inverse",
        "motion",
        "offset",
        "parked_offset",
        "place",
        "plane",
        "plunger_absolute",
        "plunger_known",
        "system",
        "systems",
        "unit_mm",
    )

    def __init__(self) -> None:
        self.unit_mm: float | None = None
        self.absolute: bool | None = None
        self.plunger_absolute: bool | None = None
        self.plunger_known = False
        self.inverse: bool | None = None
        self.plane: int | None = None
        self.motion: Code | None = None
        self.feed: float | None = None
        self.feed_scale = 1.0
        self.place: Offset = (nan, nan, nan, 0.0)
        self.offset: Offset = NO_OFFSET
        self.parked_offset: Offset = NO_OFFSET
        self.system: int | None = None
        # G54 is the machine's own system, as the profile has it; the others are whatever was stored last.
        self.systems: tuple[Offset | None, ...] = (NO_OFFSET, *[None] * (COORDINATE_SYSTEMS - 1))

    def copy(self) -> "ReadState":
        """Return a state that can be changed apart from this one; all values are immutable."""
        other = ReadState.__new__(ReadState)
        other.unit_mm = self.unit_mm
        other.absolute = self.absolute
        other.plunger_absolute = self.plunger_absolute
        other.plunger_known = self.plunger_known
        other.inverse = self.inverse
        other.plane = self.plane
        other.motion = self.motion
        other.feed = self.feed
        other.feed_scale = self.feed_scale
        other.place = self.place
        other.offset = self.offset
        other.parked_offset = self.parked_offset
        other.system = self.system
        other.systems = self.systems
        return other


Params = Mapping[str, float]


class ReadController:
    """Acts on good lines. `rows` and `arcs` (by row) are what the axes do; `doubts` what was not stated."""

    def __init__(self, dialect: CodeTable, letters: Letters) -> None:
        self.dialect = dialect
        self.letters = letters
        self.state = ReadState()
        self.rows = AxisRows()
        self.arcs: dict[int, ArcMove] = {}
        self.doubts: dict[str, tuple[int, FindingKind]] = {}
        self.stated = False

    def doubt(self, line: int, what: str, kind: FindingKind = FindingKind.STATE) -> None:
        """Note once that something the line relies on was never stated."""
        self.doubts.setdefault(what, (line, kind))

    # -- moves ------------------------------------------------------------------------------------------

    def move(
        self, line: int, code: Code, params: Params, *, state: ReadState, in_machine: bool = False
    ) -> None:
        """Act on G0, G1, G2 or G3. Everything is checked before `state` changes."""
        place = state.place
        target = self.target(line, params, state, in_machine=in_machine)
        act = code.act
        arc = None
        if act is Effect.ARC_CW or act is Effect.ARC_CCW:
            arc = self._arc(line, act is Effect.ARC_CW, params, state, target)
        kind, feed, plunger_feed, seconds = self._feed(line, act, params, state)
        if target == place and arc is None:
            return
        if not self.stated:
            self._check_stated(line, state)
        if arc is not None:
            self.arcs[len(self.rows)] = arc
        self.rows.append((line, kind, *target, feed, plunger_feed, seconds))
        state.place = target

    def target(self, line: int, params: Params, state: ReadState, *, in_machine: bool = False) -> Offset:
        """Return where the axis words of a line lead [mm, machine; plunger in its letter's unit]."""
        x, y, z, q = state.place
        unit = state.unit_mm or 1.0
        absolute = state.absolute is not False
        offset = NO_OFFSET if in_machine else self._offset(line, state)
        if "X" in params:
            x = params["X"] * unit + (offset[0] if absolute else x)
            if x != x and not absolute:
                self.doubt(line, "X moves by a distance from a place that no line has stated")
        if "Y" in params:
            y = params["Y"] * unit + (offset[1] if absolute else y)
            if y != y and not absolute:
                self.doubt(line, "Y moves by a distance from a place that no line has stated")
        if "Z" in params:
            z = params["Z"] * unit + (offset[2] if absolute else z)
            if z != z and not absolute:
                self.doubt(line, "Z moves by a distance from a place that no line has stated")
        value = params.get(self.letters.plunger)
        if value is not None:
            if self.letters.scaled:
                value *= unit
            if self.letters.own_mode:
                absolute = self._plunger_absolute(line, state)
            if absolute:
                if not state.plunger_known:
                    letter = self.letters.plunger
                    self.doubt(
                        line, f"{letter} goes to a position, but none was stated before (G92 {letter}0)"
                    )
                q = value + offset[3]
            else:
                q += value
        return (x, y, z, q)

    def _offset(self, line: int, state: ReadState) -> Offset:
        system = state.systems[(state.system or 1) - 1]
        if system is None:
            self.doubt(
                line, f"coordinate system {state.system} is used, but its origin is not set in this program"
            )
            system = NO_OFFSET
        if system is NO_OFFSET:
            return state.offset
        own = state.offset
        return (own[0] + system[0], own[1] + system[1], own[2] + system[2], own[3] + system[3])

    def _plunger_absolute(self, line: int, state: ReadState) -> bool:
        if state.plunger_absolute is None:
            self.doubt(
                line,
                f"whether {self.letters.plunger} words are positions or distances is not stated"
                " (M82 or M83, again after every G90 or G91)",
            )
            return state.plunger_known  # a guess, so that the rest of the program is judged too
        return state.plunger_absolute

    def _feed(
        self, line: int, act: Effect, params: Params, state: ReadState
    ) -> tuple[int, float, float, float]:
        """Return kind, feed of the path [mm/s], feed of the plunger alone [1/s], seconds; take F over."""
        own = params.get("F")
        if own is not None and not state.inverse:
            self.set_feed(own, state)
        if act is Effect.RAPID and not self.dialect.rapid_feeds:
            return RAPID, inf, inf, 0.0
        if state.inverse:
            if own is None:
                raise LineError("with G93 every move needs its own F, one over the minutes it takes")
            if own <= 0:
                raise LineError(f"F is {own:g}; it must be above zero")
            return TIMED, 0.0, 0.0, 60.0 / own
        if state.feed is None:
            self.doubt(line, "no feed rate: a move comes before any F")
            return FEED, inf, inf, 0.0
        feed = state.feed / 60.0
        scale = state.feed_scale
        return FEED, feed * scale, feed * (scale if self.letters.scaled else 1.0), 0.0

    def set_feed(self, feed: float, state: ReadState) -> None:
        """Take over F; it keeps the unit in force now."""
        if feed <= 0:
            raise LineError(f"F is {feed:g}; it must be above zero")
        state.feed = feed
        state.feed_scale = state.unit_mm or 1.0

    def _arc(self, line: int, clockwise: bool, params: Params, state: ReadState, target: Offset) -> ArcMove:
        if state.plane is None:
            self.doubt(line, "an arc comes before its plane was stated (G17, G18 or G19)")
        plane = state.plane or 17
        unit = state.unit_mm or 1.0
        if any(isnan(axis) for axis in (*state.place[:3], *target[:3])):
            raise LineError("an arc cannot start from a place that no line has stated")
        u, v, w = PLANES[plane]
        across = (AXES[u], AXES[v])
        if not (across[0] in params or across[1] in params):
            raise LineError(f"an arc needs its end: {across[0]} or {across[1]}")
        offsets = ("IJK"[u], "IJK"[v])
        if "IJK"[w] in params:
            raise LineError(f"{'IJK'[w]} has no meaning for an arc in this plane")
        start, end = state.place[:3], target[:3]
        if "R" in params:
            if offsets[0] in params or offsets[1] in params:
                raise LineError("an arc has either R or its centre, not both")
            return arc_by_radius(
                start_mm=start, end_mm=end, plane=plane, radius_mm=params["R"] * unit, clockwise=clockwise
            )
        if not (offsets[0] in params or offsets[1] in params):
            raise LineError(f"an arc needs R, or its centre by {offsets[0]} and {offsets[1]}")
        centre = (params.get(offsets[0], 0.0) * unit, params.get(offsets[1], 0.0) * unit)
        return arc_by_centre(start_mm=start, end_mm=end, plane=plane, offset_mm=centre, clockwise=clockwise)

    def _check_stated(self, line: int, state: ReadState) -> None:
        self.stated = True
        for name in self.dialect.must_state:
            if name == "units" and state.unit_mm is None:
                self.doubt(line, "a move comes before the units were stated (G20 or G21)")
            elif name == "distance" and state.absolute is None:
                self.doubt(
                    line,
                    "a move comes before it was stated whether words are positions (G90) or distances (G91)",
                )
            elif name == "feed mode" and state.inverse is None:
                self.doubt(line, "a move comes before the meaning of F was stated (G94 or G93)")
            elif name == "coordinate system" and state.system is None:
                self.doubt(line, "a move comes before the coordinate system was stated (G54)")

    # -- everything else --------------------------------------------------------------------------------

    def dwell(self, line: int, params: Params, state: ReadState) -> None:
        """G4: wait."""
        if self.dialect.dwell_s_word and "S" in params:
            seconds = params["S"]
        elif "P" in params:
            seconds = params["P"] * self.dialect.dwell_p_s
        else:
            raise LineError("G4 needs its time: P")
        if seconds < 0:
            raise LineError(f"G4 cannot wait {seconds:g} s")
        self.rows.append((line, DWELL, *state.place, 0.0, 0.0, seconds))

    def modal(self, line: int, code: Code, params: Params, state: ReadState) -> None:
        """Act on a code that only sets a mode."""
        value = code.value
        match code.act:
            case Effect.UNITS:
                state.unit_mm = value
            case Effect.DISTANCE:
                state.absolute = value == 1
                if self.letters.own_mode:
                    state.plunger_absolute = None  # some controllers take E along, others do not
            case Effect.PLUNGER_MODE:
                state.plunger_absolute = value == 1
            case Effect.PLANE:
                state.plane = int(value)
            case Effect.FEED_MODE:
                if state.inverse is not None and state.inverse != (value == 1):
                    state.feed = None
                state.inverse = value == 1
            case Effect.COORDINATES:
                state.system = int(value)
            case Effect.MOTION_OFF:
                state.motion = None
            case Effect.PERCENT:
                self._percent(line, params)
            case _:
                return

    def _percent(self, line: int, params: Params) -> None:
        """M220 and M221: the controller's own scaling of speeds and amounts."""
        if "S" not in params:
            raise LineError("the percentage (S) is missing")
        if params["S"] != 100:
            self.doubt(line, f"speeds or amounts are scaled to {params['S']:g} % by the controller")
        if params["S"] <= 0:
            raise LineError("the percentage (S) must be above zero")

    def set_offset(self, line: int, params: Params, state: ReadState) -> None:
        """G92 with axis words: the place where the axes stand gets these coordinates."""
        unit = state.unit_mm or 1.0
        given = [letter for letter in self.letters.all if letter in params]
        if not given:
            if not self.dialect.one_command:
                raise LineError("G92 needs an axis")
            given = list(self.letters.all)  # printer firmware: all become zero
        if state.unit_mm is None and any(params.get(letter, 0.0) for letter in given):
            self.doubt(line, "G92 comes before the units were stated (G20 or G21)")
        system = state.systems[(state.system or 1) - 1] or NO_OFFSET
        offset = list(state.offset)
        place = list(state.place)
        for letter in given:
            index = self.letters.all.index(letter)
            scale = unit if index < 3 or self.letters.scaled else 1.0
            value = params.get(letter, 0.0) * scale
            if index == 3:
                state.plunger_known = True
            elif isnan(place[index]):
                self.doubt(line, f"G92 {letter} moves the origin to a place that no line has stated")
                place[index] = value
            offset[index] = place[index] - value - system[index]
        # What G92.3 takes up again is the last one stated, laid aside or not (LinuxCNC keeps it as parameters 5211 on).
        state.offset = state.parked_offset = (offset[0], offset[1], offset[2], offset[3])
        state.place = (place[0], place[1], place[2], place[3])

    def offsets(self, code: Code, state: ReadState) -> None:
        """G92.1, G92.2, G92.3: forget, lay aside, take up again."""
        if code.act is Effect.RESTORE_OFFSET:
            state.offset = state.parked_offset
            return
        if code.act is not Effect.SUSPEND_OFFSET:
            state.parked_offset = NO_OFFSET
        state.offset = NO_OFFSET

    def data(self, line: int, params: Params, state: ReadState) -> None:
        """G10 L2 (origin of a coordinate system) and L20 (the same, so that the tip stands at the words)."""
        if params.get("L") not in (2.0, 20.0):
            raise LineError("of G10 only L2 and L20 are read here", unknown=True)
        if params.get("R"):
            raise LineError("turned coordinate systems (G10 R) are not read here", unknown=True)
        if params.get("P") not in tuple(float(k) for k in range(COORDINATE_SYSTEMS + 1)):
            raise LineError("G10 needs P1 to P9, or P0 for the coordinate system in use")
        index = int(params["P"]) or state.system or 1
        unit = state.unit_mm or 1.0
        origin = list(state.systems[index - 1] or NO_OFFSET)
        for position, letter in enumerate(self.letters.all):
            if letter not in params:
                continue
            scale = unit if position < 3 or self.letters.scaled else 1.0
            value = params[letter] * scale
            if params["L"] == 20.0:
                value = state.place[position] - state.offset[position] - value
            if isnan(value):
                self.doubt(line, f"G10 L20 {letter} uses a place that no line has stated")
                value = 0.0
            origin[position] = value
        systems = list(state.systems)
        systems[index - 1] = (origin[0], origin[1], origin[2], origin[3])
        state.systems = tuple(systems)

    def lose_place(self, line: int, params: Params, state: ReadState) -> None:
        """Homing, or a stored place: the tip ends somewhere that this program does not say."""
        axes = [letter in params for letter in AXES]
        if not any(axes):
            axes = [True] * 3
        place = [nan if gone else at for gone, at in zip(axes, state.place[:3], strict=True)]
        state.place = (place[0], place[1], place[2], state.place[3])
        self.rows.append((line, LOST, *state.place, 0.0, 0.0, 0.0))

    def motors_off(self, state: ReadState) -> None:
        """After the motors were off, nothing is where it was."""
        state.place = (nan, nan, nan, state.place[3])
        state.plunger_known = False
