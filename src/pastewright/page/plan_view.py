"""A plan's record to what the page draws and lists of it: columns of numbers, since there may be 20 000 deposits."""

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from msgspec import structs, to_builtins

from pastewright.alike import told_together
from pastewright.page.board_view import um
from pastewright.place.transform import Affine
from pastewright.place.tray.document import affine_of
from pastewright.profile.model import RunSettings
from pastewright.records.plan import DepositRecord, PadRecord, PlanRecord
from pastewright.report.colours import FILL_EDGES
from pastewright.tolerance.predict import WORDS

SURE_EDGES = (0.1, 0.2, 0.3, 0.5)
"""Shares of a dose where the colours of what it may be off change (own choice: a good print repeats within 10 to 20 %)."""
MOST_FINDINGS = 500
"""Listed on a page; plan.json has them all."""


def board_back(record: PlanRecord) -> Affine:
    """Return the map from machine to the first board [mm]."""
    return affine_of(record.placement.boards[0]).inverse()


def _as_first(record: PlanRecord) -> dict[str, Affine]:
    """Return by name, for each board of a tray but the first, the map to the first one's coordinates [mm]."""
    back = board_back(record)
    return {board.name: affine_of(board).then(back) for board in record.placement.boards[1:]}


def plan_view_text(record: PlanRecord, *, stale: Sequence[str], run: RunSettings | None = None) -> bytes:
    """Return the JSON of a plan, in the coordinates of its first board. `stale` says what has changed since, `run` how
    the rows of a batch's card lie.
    """
    boards = record.placement.boards
    others = _as_first(record)
    pads = [moved(pad, others[pad.board]) if pad.board in others else pad for pad in record.pads]
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
        "pads": [_pad(pad, place, boards[0].name) for pad in pads],
        "deposits": _columns(list(found.values()), [owner[identity] for identity in found], pads),
        "beside": _beside(record, run),
        "others": _others(record, pads, others),
    }
    return json.dumps(view, separators=(",", ":")).encode()


def moved(pad: PadRecord, where: Affine) -> PadRecord:
    """Return a pad of another board where it lies as the first board sees it."""

    def seen(place: tuple[float, float]) -> tuple[float, float]:
        return where.point(place)

    x_mm, y_mm = seen((pad.x_mm, pad.y_mm))
    return structs.replace(
        pad,
        x_mm=x_mm,
        y_mm=y_mm,
        land_mm=tuple(tuple(seen(place) for place in ring) for ring in pad.land_mm),
        deposits=tuple(
            structs.replace(one, points_mm=tuple(seen(place) for place in one.points_mm))
            for one in pad.deposits
        ),
    )


def _others(
    record: PlanRecord, pads: Sequence[PadRecord], others: Mapping[str, Affine]
) -> list[dict[str, Any]]:
    """Return the edge and the lands of each board of a tray but the first [µm, first board]."""
    wide, high = record.board.size_mm
    corners = ((0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high))
    return [
        {
            "name": name,
            "edge": [um(value) for corner in corners for value in where.point(corner)],
            "lands": [
                [[um(value) for place in ring for value in place] for ring in pad.land_mm]
                for pad in pads
                if pad.board == name and pad.land_mm and pad.deposits
            ],
        }
        for name, where in others.items()
    ]


def _pad(pad: PadRecord, place: dict[int, int], first: str) -> dict[str, Any]:
    """Return a pad's row: `own` is its name on its board, `land` the same where that board is the one that is drawn."""
    own = pad.id.removeprefix(f"{pad.board}/") if pad.board else pad.id
    row: dict[str, Any] = {
        "id": pad.id,
        "own": own,
        "land": own if pad.board in ("", first) else "",
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


def _card(
    record: PlanRecord, run: RunSettings, seen: Callable[[Sequence[float]], list[int]]
) -> dict[str, Any] | None:
    """Return the card on which a batch lays a fresh strip, and its witness row, before each board: its least corners."""
    if not record.placement.strips:
        return None
    strip = record.placement.strips[0]
    ends = [strip.from_mm, strip.to_mm, *(trip.at_mm for trip in record.thrown)]
    across, along = zip(*ends, strict=True)
    last_mm = (run.card_rows - 1) * run.card_pitch_mm
    low_mm, high_mm = min(*along, min(along) + last_mm), max(*along, max(along) + last_mm)
    edge_mm = abs(run.card_pitch_mm)  # beside the outer strips there is room for a witness row
    corners = (
        (min(across) - edge_mm, low_mm - edge_mm),
        (max(across) + edge_mm, low_mm - edge_mm),
        (max(across) + edge_mm, high_mm + edge_mm),
        (min(across) - edge_mm, high_mm + edge_mm),
    )
    return {"rows": run.card_rows, "corners": [value for corner in corners for value in seen(corner)]}


def _beside(record: PlanRecord, run: RunSettings | None) -> dict[str, Any]:
    """Return what lies beside and above the board [µm, first board]."""
    back, places = board_back(record), record.placement

    def seen(point: Sequence[float]) -> list[int]:
        x, y = back.point((point[0], point[1]))
        return [um(x), um(y)]

    wipe = places.wipe
    return {
        "strips": [[*seen(strip.from_mm), *seen(strip.to_mm)] for strip in places.strips],
        "thrown": [[*seen(trip.at_mm), um(trip.width_mm)] for trip in record.thrown],
        "park": None if places.park_mm is None else seen(places.park_mm),
        "card": None if run is None else _card(record, run, seen),
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
