"""Inspections that no photo was taken for: verdicts of pads as a test wants them."""

from pastewright.inspect.picture import board_picture
from pastewright.records.inspection import (
    FORMAT,
    InspectedDepositRecord,
    InspectionLimitsRecord,
    InspectionRecord,
)
from pastewright.records.kinds import DepositVerdict
from pastewright.records.plan import PlanRecord

GOOD, MISSING = DepositVerdict.GOOD, DepositVerdict.MISSING


def inspected(
    plan: PlanRecord, verdicts: dict[str, tuple[DepositVerdict, float, bool]], board: str = ""
) -> InspectionRecord:
    """An inspection in which pads have these verdicts, shares of the volume, and are to be wiped or not; of a tray, of one
    board of it.
    """
    rows = []
    for row in board_picture(plan, board).rows:
        verdict, share, wipe = verdicts.get(row.pad.id, (GOOD, 1.0, False))
        rows.append(
            InspectedDepositRecord(
                id=row.deposit.id,
                board=row.pad.board,
                pad=row.pad.id,
                ref=row.pad.ref,
                pin=row.pad.pin,
                pad_kind=row.pad.kind,
                form=row.pad.form,
                kind=row.deposit.kind,
                x_mm=row.at_mm[0],
                y_mm=row.at_mm[1],
                verdict=verdict,
                why="",
                wipe=wipe,
                planned_ul=row.deposit.volume_ul,
                planned_area_mm2=row.paste.area,
                volume_ul=share * row.deposit.volume_ul,
                volume_sd_ul=0.0,
                area_mm2=share ** (2 / 3) * row.paste.area,
                outline_mm=()
                if verdict is MISSING
                else tuple((x, y) for x, y in row.paste.exterior.coords)[:-1],
            )
        )
    limits = InspectionLimitsRecord(
        least_volume=0.5, most_volume=1.5, least_on_pad=0.75, most_offset=0.25, least_gap_mm=0.05
    )
    return InspectionRecord(
        format=FORMAT,
        version=1,
        made_by="by hand",
        board=plan.board.name,
        side=plan.board.side,
        plan_file="plan.json",
        plan_sha256="0" * 64,
        limits=limits,
        photos=(),
        deposits=tuple(rows),
    )
