"""A plan's record to what the page draws and lists of it: columns of numbers, since there may be 20 000 deposits."""

import json
from collections.abc import Sequence
from typing import Any

from msgspec import to_builtins

from pastewright.alike import told_together
from pastewright.page.board_view import um
from pastewright.place.transform import Affine
from pastewright.records.plan import DepositRecord, PadRecord, PlanRecord
from pastewright.report.colours import FILL_EDGES
from pastewright.tolerance.predict import WORDS

SURE_EDGES = (0.1, 0.2, 0.3, 0.5)
"""Shares of a dose where the colours of what it may be off change (own choice: a good print repeats within 10 to 20 %)."""
MOST_FINDINGS = 500
"""Listed on a page; plan.json has them all."""


def board_back(record: PlanRecord) -> Affine:
    """Return the map from machine to the first board [mm]."""
    first = record.placement.boards[0]
    (xx, xy), (yx, yy) = first.matrix
    x_mm, y_mm = first.shift_mm
    return Affine(xx=xx, xy=xy, yx=yx, yy=yy, x_mm=x_mm, y_mm=y_mm).inverse()


def plan_view_text(record: PlanRecord, *, stale: Sequence[str]) -> bytes:
    """Return the JSON of a plan; of a tray what lies on its first board. `stale` says what has changed since."""
    boards = record.placement.boards
    pads = [pad for pad in record.pads if pad.board in ("", boards[0].name)]
    found: dict[int, DepositRecord] = {}
    owner: dict[int, int] = {}
    for number, pad in enumerate(pads):
        for deposit in pad.deposits:
            found.setdefault(deposit.id, deposit)
            owner.setdefault(deposit.id, number)
    place = {identity: index for index, identity in enumerate(found)}
    view = {
        "board": {
            "name": record.board.name,
            "side": str(record.board.side),
            "size": record.board.size_mm,
            "sha256": record.board.inputs_sha256,
        },
        "boards": len(boards),
        "dry": record.dry,
        "stale": list(stale),
        "profile": to_builtins(record.profile),
        "totals": to_builtins(record.totals),
        "verdict": {
            "ok": record.verdict.ok,
            "findings": to_builtins(record.verdict.findings[:MOST_FINDINGS]),
        },
        "warnings": told_together(
            [*record.warnings, *(f"{pad.id}: {words}" for pad in pads for words in pad.warnings)]
        ),
        "pads": [_pad(pad, place) for pad in pads],
        "deposits": _columns(list(found.values()), [owner[identity] for identity in found], pads),
        "beside": _beside(record),
    }
    return json.dumps(view, separators=(",", ":")).encode()


def _pad(pad: PadRecord, place: dict[int, int]) -> dict[str, Any]:
    row: dict[str, Any] = {
        "id": pad.id,
        "ref": pad.ref,
        "pin": pad.pin,
        "net": pad.net,
        "kind": str(pad.kind),
        "at": [um(pad.x_mm), um(pad.y_mm)],
        "target": pad.target_ul,
        "planned": pad.planned_ul,
        "mg": pad.planned_mg,
        "form": str(pad.form),
        "reason": pad.reason,
        "from": pad.source,
        "looks": list(pad.warnings),
        "d": [place[deposit.id] for deposit in pad.deposits],
        "bridges": [{"pad": each.pad, "gap": each.gap_mm, "mend": each.mend} for each in pad.bridges],
    }
    if pad.tolerance is not None:
        off = pad.tolerance
        row["off"] = {
            "bias": off.bias,
            "within": off.within,
            "most": WORDS.get(off.most, off.most),
            "share": off.share,
        }
    return row


def _columns(
    deposits: Sequence[DepositRecord], owners: Sequence[int], pads: Sequence[PadRecord]
) -> dict[str, Any]:
    """Return the deposits column by column; beads have their points under `lines`, by index. `rank` is the order."""
    ranked = sorted(range(len(deposits)), key=lambda index: deposits[index].line)
    rank = [0] * len(deposits)
    for number, index in enumerate(ranked):
        rank[index] = number
    return {
        "id": [deposit.id for deposit in deposits],
        "x": [um(deposit.points_mm[0][0]) for deposit in deposits],
        "y": [um(deposit.points_mm[0][1]) for deposit in deposits],
        "w": [um(deposit.width_mm) for deposit in deposits],
        "ul": [deposit.total_ul for deposit in deposits],
        "pad": list(owners),
        "rank": rank,
        "fill": [_fill_class(pads[owner]) for owner in owners],
        "sure": [_sure_class(pads[owner]) for owner in owners],
        "lines": {
            str(index): [um(value) for point in deposit.points_mm for value in point]
            for index, deposit in enumerate(deposits)
            if len(deposit.points_mm) > 1
        },
    }


def _fill_class(pad: PadRecord) -> int:
    """Return which part of the scale of planned over wanted a pad is in, 0 (least) to 4."""
    if pad.target_ul <= 0:
        return 2
    fill = pad.planned_ul / pad.target_ul
    return sum(fill >= edge for edge in FILL_EDGES)


def _sure_class(pad: PadRecord) -> int:
    """Return how sure a pad's volume is, 0 (most) to 4, by the widest that it may be off either way."""
    if pad.tolerance is None:
        return 0
    most = abs(pad.tolerance.bias) + pad.tolerance.within
    return sum(most >= edge for edge in SURE_EDGES)


def _beside(record: PlanRecord) -> dict[str, Any]:
    """Return what lies beside and above the board [µm, first board]."""
    back, places = board_back(record), record.placement

    def seen(point: Sequence[float]) -> list[int]:
        x, y = back.point((point[0], point[1]))
        return [um(x), um(y)]

    wipe = places.wipe
    return {
        "strips": [[*seen(strip.from_mm), *seen(strip.to_mm)] for strip in places.strips],
        "park": None if places.park_mm is None else seen(places.park_mm),
        "wipe": None if wipe is None else [*seen(wipe.from_mm), *seen(wipe.to_mm)],
        "neighbours": [
            {"name": each.name, "corners": [value for corner in each.corners_mm for value in seen(corner)]}
            for each in places.neighbours
        ],
        "zones": [
            {
                "name": zone.name,
                "box": [um(zone.x_from_mm), um(zone.y_from_mm), um(zone.x_to_mm), um(zone.y_to_mm)],
                "height_mm": zone.height_mm,
            }
            for zone in places.zones
        ],
    }
