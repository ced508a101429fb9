"""Findings to their record (inspection.json), rows of inspection.csv, and the list of what a person must wipe."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pastewright.inspect.judge import JudgedRow
from pastewright.inspect.measure import RowReading
from pastewright.inspect.picture import InspectedRow
from pastewright.inspect.read import Findings
from pastewright.job.limits import limits_record
from pastewright.records.inspection import (
    FORMAT,
    VERSION,
    InspectedDepositRecord,
    InspectedPhotoRecord,
    InspectionRecord,
)
from pastewright.records.kinds import DepositVerdict
from pastewright.records.plan import PlanRecord
from pastewright.version import __version__

COLUMNS = (
    "pad",
    "ref",
    "pin",
    "deposit",
    "board",
    "verdict",
    "why",
    "wipe",
    "planned_ul",
    "volume_ul",
    "volume_sd_ul",
    "area_mm2",
    "offset_x_mm",
    "offset_y_mm",
    "on_pad",
    "beside_mm2",
    "tail_mm",
    "gap_mm",
    "bridges",
    "photo",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectedBoard:
    """Which board was looked at: its serial, its number in the journal, when, and by which plan."""

    plan_file: str
    plan_sha256: str
    at: str
    serial: str = ""
    journal_board: int | None = None
    before: str = ""


def inspection_record(findings: Findings, plan: PlanRecord, board: InspectedBoard) -> InspectionRecord:
    """Return the record of an inspection."""
    whole = [sum(reading.whole for reading in photo.readings) for photo in findings.photos]
    return InspectionRecord(
        format=FORMAT,
        version=VERSION,
        made_by=f"pastewright {__version__}",
        board=plan.board.name,
        side=plan.board.side,
        serial=board.serial,
        journal_board=board.journal_board,
        plan_file=board.plan_file,
        plan_sha256=board.plan_sha256,
        program_sha256=plan.program_sha256,
        at=board.at,
        before=board.before,
        limits=limits_record(findings.limits),
        photos=tuple(
            InspectedPhotoRecord(
                file=photo.found.photo.name,
                width_px=photo.found.view.width_px,
                height_px=photo.found.view.height_px,
                px_per_mm=round(photo.found.px_per_mm, 3),
                residual_mm=round(photo.found.residual_mm, 4),
                lands=photo.found.figures,
                turn_deg=round(photo.found.turn_deg, 2),
                tilt_deg=round(photo.found.tilt_deg, 2),
                pads=count,
            )
            for photo, count in zip(findings.photos, whole, strict=True)
        ),
        deposits=tuple(
            _deposit(row, verdict, reading, place, findings.picture.rows)
            for row, verdict, reading, place in zip(
                findings.picture.rows, findings.verdicts, findings.readings, findings.shown_by, strict=True
            )
        ),
        warnings=tuple(" ".join(str(problem).split()) for problem in findings.warnings),
    )


def _deposit(
    row: InspectedRow,
    verdict: JudgedRow,
    reading: RowReading | None,
    place: int | None,
    rows: Sequence[InspectedRow],
) -> InspectedDepositRecord:
    x, y = row.at_mm
    first = InspectedDepositRecord(
        id=row.deposit.id,
        board=row.pad.board,
        pad=row.pad.id,
        ref=row.pad.ref,
        pin=row.pad.pin,
        pad_kind=row.pad.kind,
        form=row.pad.form,
        kind=row.deposit.kind,
        x_mm=round(x, 4),
        y_mm=round(y, 4),
        verdict=verdict.verdict,
        why=verdict.why,
        wipe=verdict.wipe,
        planned_ul=row.deposit.volume_ul,
        planned_area_mm2=round(row.paste.area, 5),
        photo=place,
    )
    if reading is None or verdict.verdict is DepositVerdict.NOT_SEEN:
        return first
    measured = {
        "volume_ul": round(reading.volume_ul, 6),
        "volume_sd_ul": round(reading.volume_sd_ul, 6),
        "area_mm2": round(reading.area_mm2, 5),
        "outline_mm": reading.outline_mm,
    }
    if reading.there:
        measured |= {
            "offset_mm": (round(reading.offset_mm[0], 4), round(reading.offset_mm[1], 4)),
            "on_pad": round(reading.on_pad, 4),
            "beside_mm2": round(reading.beside_mm2, 5),
            "tail_mm": round(reading.tail_mm, 4),
            "gap_mm": None if reading.gap_mm is None else round(reading.gap_mm, 4),
            "bridges": tuple(dict.fromkeys(rows[other].pad.id for other in reading.joined)),
        }
    return _with(first, measured)


def _with(record: InspectedDepositRecord, values: Mapping[str, object]) -> InspectedDepositRecord:
    from msgspec import structs

    return structs.replace(record, **values)


def csv_rows(inspection: InspectionRecord) -> list[dict[str, str]]:
    """Return the rows of inspection.csv under `COLUMNS`."""

    def told(value: object) -> str:
        return "" if value is None else str(value)

    return [
        {
            "pad": one.pad,
            "ref": one.ref,
            "pin": one.pin,
            "deposit": str(one.id),
            "board": one.board,
            "verdict": str(one.verdict),
            "why": one.why,
            "wipe": "yes" if one.wipe else "",
            "planned_ul": told(one.planned_ul),
            "volume_ul": told(one.volume_ul),
            "volume_sd_ul": told(one.volume_sd_ul),
            "area_mm2": told(one.area_mm2),
            "offset_x_mm": told(one.offset_mm[0]) if one.offset_mm else "",
            "offset_y_mm": told(one.offset_mm[1]) if one.offset_mm else "",
            "on_pad": told(one.on_pad),
            "beside_mm2": told(one.beside_mm2),
            "tail_mm": told(one.tail_mm),
            "gap_mm": told(one.gap_mm),
            "bridges": " ".join(one.bridges),
            "photo": told(one.photo),
        }
        for one in inspection.deposits
    ]


def verdict_counts(inspection: InspectionRecord) -> Counter[DepositVerdict]:
    """Return how many deposits have which verdict."""
    return Counter(one.verdict for one in inspection.deposits)


def wipe_list(inspection: InspectionRecord) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return what a person must wipe: parts (or a pad's own name), each with its pins and why."""
    found: dict[str, list[str]] = {}
    for one in inspection.deposits:
        if one.wipe:
            words = f"{one.pin}: {one.why}" if one.ref else one.why
            found.setdefault(one.ref or one.pad, []).append(words)
    return tuple((part, tuple(dict.fromkeys(pins))) for part, pins in sorted(found.items()))
