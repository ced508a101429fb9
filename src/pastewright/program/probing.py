"""A probing journey to the text of a program: the dialect's own probe word, and nothing that moves the plunger.

    raise to the safe height · per place: travel, round tall parts, down to travel height, probe, up · park

What the controller answers to each probe is read back by `place.points`. A printer controller says nothing to G38.2:
it is asked where it stands (M114) while the contact is closed.
"""

from shapely import affinity

from pastewright.board.model import Board, Point
from pastewright.place.height.probe import Probing, way_round
from pastewright.place.transform import Placement
from pastewright.place.tray.document import board_record
from pastewright.problems import one_error
from pastewright.profile.model import DialectName, ProbeWord, Profile
from pastewright.program.dialects import DIALECTS
from pastewright.program.model import Program
from pastewright.program.write import feed_text
from pastewright.records.probing import FORMAT, VERSION, ProbePlaceRecord, ProbingRecord

OPENING = {
    DialectName.REPRAP: ("G21", "G90"),
    DialectName.NGC: ("G21 G90 G94", "G17 G40 G49 G80", "G54", "G61.1"),
}
CLOSING = {DialectName.REPRAP: "M400", DialectName.NGC: "M2"}
SAFETY = (
    "Home all axes first. Take the paste off the tip, or use a probe: what touches the board must be clean.",
    "Stay at the stop while it runs. A probe that does not answer goes on pushing until the controller gives up.",
)


def probing_program(journey: Probing, profile: Profile, *, board: str) -> Program:
    """Return the program that probes the journey's places in order; `deposit_lines` are those of the places, from 1.

    Raises `InputError` where the dialect has no such probe word.
    """
    controller, probe = profile.controller, profile.probe
    if probe.word is ProbeWord.SINGLE and controller.dialect is DialectName.NGC:
        raise one_error(
            "probe.word is G30, which in RS274/NGC goes to a stored place instead of probing",
            'Write word = "G38.2" in [probe].',
            file=profile.file,
        )
    dialect = DIALECTS[controller.dialect]
    lines = _Lines(profile)
    for text in (f"probe the height of {board}", f"{len(journey.stops)} places", *SAFETY):
        lines.text.append(dialect.comment(text))
    lines.text.extend(OPENING[controller.dialect])
    lines.up(journey.safe_z_mm, journey.safe_z_mm)
    at_safe = True
    starts: dict[int, int] = {}
    for number, stop in enumerate(journey.stops, 1):
        lines.text.append(dialect.comment(f"place {number}"))
        starts[number] = len(lines.text)
        if stop.over and not at_safe:
            lines.up(journey.safe_z_mm, journey.safe_z_mm)
        for place in (*stop.by_mm, stop.at_mm):
            lines.across(place)
        if stop.over and journey.safe_z_mm > journey.travel_z_mm:
            lines.down(journey.travel_z_mm)
        lines.probe(journey.low_z_mm)
        lines.up(journey.travel_z_mm, journey.safe_z_mm)
        at_safe = journey.safe_z_mm <= journey.travel_z_mm
    if not at_safe:
        lines.up(journey.safe_z_mm, journey.safe_z_mm)
    park = (profile.bed.park_x_mm, profile.bed.park_y_mm)
    by = way_round(
        journey.stops[-1].at_mm, (park[0] + probe.offset_x_mm, park[1] + probe.offset_y_mm), journey.endless
    )
    for place in by or ():
        lines.across(place)
    if by is None:
        lines.text.append(
            dialect.comment("no way leads to the parking place but over a part of unknown height")
        )
    else:
        lines.head(park)
    lines.text.append(CLOSING[controller.dialect])
    return Program(text="\n".join(lines.text) + "\n", suffix=dialect.suffix, deposit_lines=starts)


def probing_record(
    program: Program, journey: Probing, profile: Profile, *, board: Board, place: Placement
) -> ProbingRecord:
    """Return the record beside a probing program: what it touches, on which board that lies where, and what must be gone
    round on the way to it.
    """
    on_board = place.affine.inverse()
    x, y = -profile.probe.offset_x_mm, -profile.probe.offset_y_mm
    endless = [affinity.translate(wall, x, y).exterior.coords[:-1] for wall in journey.endless]
    return ProbingRecord(
        format=FORMAT,
        version=VERSION,
        board=board.name,
        side=str(board.side),
        size_mm=board.size_mm,
        inputs_sha256=board.inputs_sha256,
        profile_sha256=profile.sha256,
        dialect=profile.controller.dialect,
        plunger_letter=profile.plunger.letter,
        travel_z_mm=journey.travel_z_mm,
        low_z_mm=journey.low_z_mm,
        place=board_record(place),
        endless_mm=tuple(tuple((float(a), float(b)) for a, b in corners) for corners in endless),
        places=tuple(
            ProbePlaceRecord(
                number=number,
                on_board_mm=on_board.point(stop.at_mm),
                at_mm=(
                    stop.at_mm[0] - profile.probe.offset_x_mm,
                    stop.at_mm[1] - profile.probe.offset_y_mm,
                ),
                line=program.deposit_lines[number],
            )
            for number, stop in enumerate(journey.stops, 1)
        ),
    )


class _Lines:
    """Lines that move the head so that the probe is where it is wanted."""

    def __init__(self, profile: Profile) -> None:
        self.text: list[str] = []
        self._profile = profile
        self._decimals = profile.controller.decimals
        self._rapid_has_feed = DIALECTS[profile.controller.dialect].rapid_has_feed

    def up(self, z_mm: float, highest_mm: float) -> None:
        self.text.append(
            f"G0 Z{self._n(min(z_mm, highest_mm))}{self._feed(self._profile.machine.speed_z_mm_s)}"
        )

    def down(self, z_mm: float) -> None:
        self.text.append(f"G1 Z{self._n(z_mm)} F{feed_text(self._profile.machine.speed_z_mm_s * 60)}")

    def across(self, place_mm: Point) -> None:
        probe = self._profile.probe
        self.head((place_mm[0] - probe.offset_x_mm, place_mm[1] - probe.offset_y_mm))

    def head(self, place_mm: Point) -> None:
        x, y = place_mm
        self.text.append(f"G0 X{self._n(x)} Y{self._n(y)}{self._feed(self._profile.machine.speed_xy_mm_s)}")

    def probe(self, low_z_mm: float) -> None:
        probe = self._profile.probe
        if probe.word is ProbeWord.SINGLE:
            self.text.append("G30")
        else:
            self.text.append(f"G38.2 Z{self._n(low_z_mm)} F{feed_text(probe.speed_mm_s * 60)}")
            if self._profile.controller.dialect is DialectName.REPRAP:
                self.text += ["M400", "M114"]

    def _feed(self, speed_mm_s: float) -> str:
        return f" F{feed_text(speed_mm_s * 60)}" if self._rapid_has_feed else ""

    def _n(self, value_mm: float) -> str:
        return f"{round(value_mm, self._decimals) + 0.0:.{self._decimals}f}"
