"""An inspection as a record: the content of inspection.json, what photos of a pasted board show against its plan.

Lengths in mm, areas in mm², volumes in µL; board coordinates as in plan.json. Each deposit of the plan has one row for
every pad that it serves, in the order of the plan's pads.
"""

from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, json

from pastewright.records.kinds import DepositKind, DepositVerdict, Form, PadKind, Side
from pastewright.records.placement import Length, Pair
from pastewright.records.plan import Amount, Count, InspectionLimitsRecord, Positive
from pastewright.records.reading import record_of_text, record_text, text_of_file
from pastewright.records.sha256 import MaybeSha256

FORMAT: Literal["pastewright inspection"] = "pastewright inspection"
VERSION: Literal[1] = 1
MOST_BYTES = 200_000_000
"""As for plans: a row is about as long as a pad's row there."""
WHAT = "an inspection"
MEND = "Write it anew with: pastewright inspect"


class InspectedPhotoRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A photo, and how the board was found in it."""

    file: str
    width_px: Count
    height_px: Count
    px_per_mm: Positive
    residual_mm: Annotated[
        Amount, Meta(description="Lands from where the board's picture has them, rms [mm].")
    ]
    lands: Annotated[Count, Meta(description="Lands by which the board was found.")]
    turn_deg: Annotated[Length, Meta(description="Turn of the board's x axis in the photo, anticlockwise.")]
    tilt_deg: Amount
    pads: Annotated[Count, Meta(description="Pads with paste that this photo shows whole.")]


class InspectedDepositRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the photos show of one deposit, as far as one pad is concerned. Measures are null where it is not seen."""

    id: Annotated[Count, Meta(description="Index of the deposit in plan.json.")]
    board: str
    pad: Annotated[str, Meta(min_length=1)]
    ref: str
    pin: str
    pad_kind: PadKind
    form: Form
    kind: DepositKind
    x_mm: Annotated[Length, Meta(description="Middle of the planned deposit, or of its part on this pad.")]
    y_mm: Length
    verdict: DepositVerdict
    why: Annotated[str, Meta(description="In words; empty for good ones.")]
    wipe: Annotated[bool, Meta(description="Whether a person has to wipe it before paste is laid here.")]
    planned_ul: Amount
    planned_area_mm2: Amount
    volume_ul: Amount | None = None
    volume_sd_ul: Annotated[
        Amount | None, Meta(description="Standard error of the volume, the spread of heights included.")
    ] = None
    area_mm2: Amount | None = None
    offset_mm: Annotated[
        Pair | None, Meta(description="Centre of the paste less that of the planned deposit.")
    ] = None
    on_pad: Annotated[Amount | None, Meta(description="Share of its area that lies on the pad.")] = None
    beside_mm2: Annotated[Amount | None, Meta(description="Paste beside the pad.")] = None
    tail_mm: Annotated[Amount | None, Meta(description="How far a tail reaches beyond the outline.")] = None
    gap_mm: Annotated[
        Amount | None, Meta(description="To the nearest paste of another pad; null where none is near.")
    ] = None
    bridges: Annotated[tuple[str, ...], Meta(description="Pads that its paste is joined with.")] = ()
    photo: Annotated[Count | None, Meta(description="Which of `photos` shows it best, from 0.")] = None
    outline_mm: Annotated[
        tuple[Pair, ...], Meta(description="Outline of the paste [mm, board]; empty where there is none.")
    ] = ()


class InspectionRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The content of inspection.json."""

    format: Literal["pastewright inspection"]
    version: Literal[1]
    kind: Literal["inspection"] = "inspection"
    made_by: str
    board: Annotated[str, Meta(description="Name of the board, as in plan.json.")]
    side: Side
    serial: Annotated[str, Meta(description="Which one it is, as told with --board.")] = ""
    journal_board: Annotated[int | None, Meta(description="Its number in the journal.")] = None
    plan_file: str
    plan_sha256: Annotated[MaybeSha256, Meta(description="Of the text of plan.json.")]
    program_sha256: MaybeSha256 = ""
    at: Annotated[str, Meta(description="When the photos were looked at, ISO 8601.")] = ""
    before: str = ""
    limits: InspectionLimitsRecord
    photos: tuple[InspectedPhotoRecord, ...]
    deposits: tuple[InspectedDepositRecord, ...]
    warnings: tuple[str, ...] = ()


def inspection_of_text(text: str, *, file: str = "inspection.json") -> InspectionRecord:
    """Return the inspection in a text; raises `InputError` with everything that is wrong with it."""
    return record_of_text(text, InspectionRecord, what=WHAT, mend=MEND, file=file)


def read_inspection(path: Path) -> InspectionRecord:
    """Return the inspection in a file."""
    return inspection_of_text(text_of_file(path, what=WHAT, mend=MEND, most_bytes=MOST_BYTES), file=str(path))


def inspection_text(inspection: InspectionRecord) -> str:
    """Return the text of inspection.json."""
    return record_text(inspection)


def inspection_schema() -> dict[str, Any]:
    """Return the JSON schema of inspection.json."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **json.schema(InspectionRecord),
        "title": f"pastewright inspection.json, version {VERSION}",
    }
