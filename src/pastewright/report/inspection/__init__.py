"""The page of an inspection: one HTML file that opens offline, every finding shown as photographed beside the plan.

Names are other people's words: every value is escaped; only pictures and style of this program go in as they are.
"""

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import cv2
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from pastewright.decimals import short
from pastewright.inspect.document import verdict_counts, wipe_list
from pastewright.inspect.find import FoundBoard
from pastewright.inspect.picture import BoardPicture
from pastewright.inspect.read import Findings
from pastewright.records.inspection import InspectedDepositRecord, InspectionRecord
from pastewright.records.kinds import DepositVerdict
from pastewright.report import colours
from pastewright.report.safety import CAUTIONS

MOST_SHOWN = 150
"""Findings with pictures; more would make a phone's browser slow, and inspection.csv has them all. Own choice."""
ROOM_MM, CROP_PX = 0.9, 320
WORST_FIRST = (
    DepositVerdict.BRIDGED,
    DepositVerdict.MISSING,
    DepositVerdict.OFF,
    DepositVerdict.HIGH,
    DepositVerdict.LOW,
    DepositVerdict.NOT_SEEN,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownFinding:
    """A finding with its crop of the photo, and of the plan; `number` is its row in the inspection."""

    number: int
    deposit: InspectedDepositRecord
    photo: bytes
    """JPEG; empty where no photo shows the place."""
    plan_svg: Markup

    @property
    def photo_data(self) -> str:
        """The photo as the data of an image in a page, "" without one."""
        return f"data:image/jpeg;base64,{base64.b64encode(self.photo).decode()}" if self.photo else ""


def inspection_page(inspection: InspectionRecord, shown: Sequence[ShownFinding]) -> str:
    """Return the page of an inspection; `shown` are its `shown_findings`."""
    bad = _worst_first(inspection)
    page: str = _template().render(
        inspection=inspection,
        counts=[(str(verdict), count) for verdict, count in verdict_counts(inspection).most_common()],
        wipe=wipe_list(inspection),
        shown=shown,
        unseen=_unseen(inspection),
        headline=_headline(inspection),
        good=not bad,
        cautions=CAUTIONS,
        css=Markup(files("pastewright.report.page").joinpath("page.css").read_text(encoding="utf-8")),
    )
    return page


def _headline(inspection: InspectionRecord) -> str:
    """Return in a line how many deposits need a look, and how many nobody has seen."""
    counts, total = verdict_counts(inspection), len(inspection.deposits)
    unseen = counts[DepositVerdict.NOT_SEEN]
    wrong = total - counts[DepositVerdict.GOOD] - unseen
    if not wrong and not unseen:
        return f"All {total} deposits are seen, and are good"
    told = f"{wrong} of {total} deposits {'needs' if wrong == 1 else 'need'} a look" if wrong else ""
    more = f"{unseen} {'is' if unseen == 1 else 'are'} not seen" if unseen else ""
    return ", ".join(
        filter(None, (told, more if told else f"{more}, of {total} deposits; the others are good"))
    )


def _unseen(inspection: InspectionRecord) -> dict[str, dict[str, list[str]]]:
    """Return what was not seen: by the reason, the pins of each part (of a pad without a part its own name, no pins)."""
    found: dict[str, dict[str, list[str]]] = {}
    for one in inspection.deposits:
        if one.verdict is DepositVerdict.NOT_SEEN:
            pins = found.setdefault(one.why, {}).setdefault(one.ref or one.pad, [])
            if one.ref and one.pin not in pins:
                pins.append(one.pin)
    return found


def shown_findings(inspection: InspectionRecord, findings: Findings) -> list[ShownFinding]:
    """Return what is wrong and was seen, the worst first, each as photographed and as planned; `MOST_SHOWN` of them."""
    seen = [pair for pair in _worst_first(inspection) if pair[1].verdict is not DepositVerdict.NOT_SEEN]
    return [_shown(number, one, findings) for number, one in seen[:MOST_SHOWN]]


def _worst_first(inspection: InspectionRecord) -> list[tuple[int, InspectedDepositRecord]]:
    order = {verdict: place for place, verdict in enumerate(WORST_FIRST)}
    bad = [
        (number, one)
        for number, one in enumerate(inspection.deposits)
        if one.verdict is not DepositVerdict.GOOD
    ]
    bad.sort(key=lambda pair: (order[pair[1].verdict], pair[0]))
    return bad


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader(__name__, "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("inspection.html.jinja")


def _shown(number: int, one: InspectedDepositRecord, findings: Findings) -> ShownFinding:
    window = _window(number, findings.picture)
    place = findings.shown_by[number]
    photo = b"" if place is None else _crop(findings.photos[place].found, window)
    return ShownFinding(
        number=number,
        deposit=one,
        photo=photo,
        plan_svg=Markup(_plan_svg(number, findings, one, window)),
    )


def _window(number: int, picture: BoardPicture) -> tuple[float, float, float]:
    """Return the middle and the half width of a finding's window [mm]."""
    row = picture.rows[number]
    left, bottom, right, top = row.paste.union(row.land).bounds
    half = min(max(right - left, top - bottom) / 2 + ROOM_MM, 3.0)
    return row.at_mm[0], row.at_mm[1], half


def _crop(found: FoundBoard, window: tuple[float, float, float]) -> bytes:
    """Return the photo over a window, laid flat with the board's y up, as JPEG."""
    x, y, half = window
    axis = np.linspace(-half, half, CROP_PX)
    places = np.stack(np.meshgrid(x + axis, y - axis), axis=-1)
    px = found.view.to_px(places).astype(np.float32)
    picture = cv2.remap(found.photo.pixels, px[..., 0], px[..., 1], cv2.INTER_CUBIC)
    done, file = cv2.imencode(
        ".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 82]
    )
    return file.tobytes() if done else b""


def _plan_svg(
    number: int, findings: Findings, one: InspectedDepositRecord, window: tuple[float, float, float]
) -> str:
    """Return lands, planned paste (light) and what was seen (ringed) in a finding's window."""
    x, y, half = window
    picture = findings.picture
    view = box(x - half, y - half, x + half, y + half)
    parts = [f'<rect x="{short(-half)}" y="{short(-half)}" width="{short(2 * half)}" height="{short(2 * half)}"'
             f' fill="{colours.BOARD}"/>']  # fmt: skip

    def path(shape: BaseGeometry, style: str) -> None:
        if not shape.is_empty and shape.intersects(view):
            parts.append(f'<path d="{_d(shape, x, y)}" {style}/>')

    for land in picture.lands:
        path(land, f'fill="{colours.LAND}" fill-rule="evenodd"')
    for other, row in enumerate(picture.rows):
        width = 0.03 if other == number else 0.012
        path(row.paste, f'fill="{colours.APERTURE}" fill-opacity=".55" stroke="#fff" stroke-width="{width}"')
    if len(one.outline_mm) > 2:
        points = " ".join(f"{short(px - x)},{short(y - py)}" for px, py in one.outline_mm)
        parts.append(
            f'<polygon points="{points}" fill="none" stroke="{colours.LOOK}" stroke-width=".04"'
            ' stroke-dasharray=".1 .05"/>'
        )
    size = short(2 * half)
    return (
        f'<svg viewBox="{short(-half)} {short(-half)} {size} {size}" xmlns="http://www.w3.org/2000/svg" role="img"'
        f' aria-label="plan">{"".join(parts)}</svg>'
    )


def _d(shape: BaseGeometry, x: float, y: float) -> str:
    polygons: Sequence[BaseGeometry] = getattr(shape, "geoms", (shape,))
    rings = [ring for one in polygons for ring in (one.exterior, *one.interiors)]  # type: ignore[attr-defined]
    return "".join(
        "M" + "L".join(f"{short(px - x)} {short(y - py)}" for px, py in ring.coords) + "Z" for ring in rings
    )
