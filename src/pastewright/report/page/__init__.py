"""The report: one HTML file that opens offline, on a phone as well as on a bench computer.

`report.html.jinja` is the page, filled with what is in plan.json. Names of pads, parts and files are other people's
words: every value is escaped, and only the pictures, the style and the script of this program go in as they are.
"""

from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from math import atan2, degrees

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup
from msgspec import Struct

from pastewright.alike import told_together
from pastewright.counting import clock_words, counted
from pastewright.records.placement import ON_BED, StepRecord
from pastewright.records.plan import PlacesRecord, PlanRecord, ToleranceRecord
from pastewright.report.safety import CAUTIONS

MOST_ROWS = 2000  # a table of more rows makes a phone's browser slow; pads.csv has them all


class WorstPad(Struct, frozen=True, kw_only=True):
    """A row of the table of pads that may be off most, in words."""

    id: str
    within: str
    bias: str
    most: str
    share: str


def report_page(
    plan: PlanRecord,
    *,
    board_svg: str,
    pressure_svg: str = "",
    scenarios_svg: str = "",
    scenario_words: Sequence[str] = (),
    tolerance_svg: str = "",
    tolerance_words: str = "",
    worst: Sequence["WorstPad"] = (),
) -> str:
    """Return the report of a plan (the content of `plan.json`) with its pictures as one HTML page."""
    pads = plan.pads
    shown = sorted(pads, key=lambda pad: not pad.warnings)[:MOST_ROWS] if len(pads) > MOST_ROWS else pads
    looks = told_together([*plan.warnings, *(f"{pad.id}: {words}" for pad in pads for words in pad.warnings)])
    page: str = _template().render(
        board=plan.board,
        profile=plan.profile,
        verdict=plan.verdict,
        totals=plan.totals,
        dry=plan.dry,
        made_by=plan.made_by,
        pads=shown,
        pad_count=len(pads),
        looks=looks,
        places=_places(plan.placement),
        scenario_words=list(scenario_words),
        tolerance_words=tolerance_words,
        worst=list(worst),
        cautions=CAUTIONS,
        most_rows=MOST_ROWS,
        # Written by this program, and escaped where they were made. The page takes the large ones as they are: what is
        # marked as safe is copied.
        board_svg=board_svg,
        tolerance_svg=tolerance_svg,
        pressure_svg=Markup(pressure_svg),
        scenarios_svg=Markup(scenarios_svg),
        css=Markup(_part("page.css")),
        js=Markup(_part("page.js")),
    )
    return page


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader(__name__, "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["minutes"] = clock_words
    environment.filters["count_of"] = _count_of
    environment.filters["reach"] = _reach
    return environment.get_template("report.html.jinja")


@cache
def _part(name: str) -> str:
    return files(__name__).joinpath(name).read_text(encoding="utf-8")


class _Place(Struct, frozen=True, kw_only=True):
    """Where one board lies, in machine coordinates."""

    name: str
    known_from: str
    x_mm: float
    y_mm: float
    turn_deg: float
    z_mm: float
    surface: str


def _places(placement: PlacesRecord) -> list[_Place]:
    """Return where each board lies; none where one lies in the bed's corner as the profile says."""
    boards = placement.boards
    if [step.what for step in boards[0].steps] == [ON_BED]:
        return []
    places = []
    for board in boards:
        surface = board.surface
        bowed = surface.mesh is not None
        level = not (surface.slope_x or surface.slope_y or bowed)
        (a, _), (c, _) = board.matrix
        places.append(
            _Place(
                name=board.name or "the board",
                known_from="; ".join(_step_words(step) for step in board.steps),
                x_mm=board.shift_mm[0],
                y_mm=board.shift_mm[1],
                turn_deg=degrees(atan2(c, a)),
                z_mm=surface.z_mm,
                surface="level" if level else "tilted" + (" and bowed" if bowed else ""),
            )
        )
    return places


def _step_words(step: StepRecord) -> str:
    return (
        f"{step.what} ({step.fit} fit of {counted(len(step.points), 'point')})" if step.points else step.what
    )


def _reach(tolerance: ToleranceRecord | None) -> str:
    return "" if tolerance is None else f"±{100 * (abs(tolerance.bias) + tolerance.within):.1f} %"


def _count_of(things: Sequence[object], noun: str) -> str:
    return counted(len(things), noun)
