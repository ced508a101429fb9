"""The plan as a record: the content of plan.json. What it says is fixed by docs/plan.schema.json, made from here.

Lengths in mm, volumes in µL, times in s. Board coordinates: origin at the lower left corner of the board as seen
from the pasted side, y up. A bead laid across several pads appears under each of them with that pad's share as
`volume_ul`, the whole bead's volume as `total_ul` and the same `id`.
"""

from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, json

from pastewright.records.companion import Kind
from pastewright.records.kinds import (
    DepositKind,
    DialectName,
    Form,
    PadKind,
    PasteOrigin,
    PlungerUnit,
    ProgramKind,
    Side,
)
from pastewright.records.placement import Length, NeighbourRecord, Pair, Places, StripRecord, Zone
from pastewright.records.reading import (
    fields_text,
    record_of_data,
    record_of_text,
    record_text,
    text_of_file,
)
from pastewright.records.sha256 import MaybeSha256, Sha256
from pastewright.records.thrown import ThrownRecord
from pastewright.records.touched import TouchedRecord

FORMAT: Literal[1] = 1
MOST_BYTES = 200_000_000
"""A board of 20 000 deposits takes 10 MB; a tray has two hundred boards at most."""
WHAT = "a plan"
ROW_ON_CARD = "witness row"
"""The source of dots that are laid on the card before the board, to be measured."""
MEND = "Give the plan.json that was written together with the program."

Amount = Annotated[float, Meta(ge=0, le=1e12)]
Positive = Annotated[float, Meta(gt=0, le=1e12)]
Count = Annotated[int, Meta(ge=0)]


class FiducialRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A mark by which the board is found [mm, board]."""

    x_mm: Length
    y_mm: Length
    diameter_mm: Amount


Ring = Annotated[tuple[Pair, ...], Meta(min_length=3, description="Corners of a closed line [mm, board].")]


class HoleRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A drilled hole, or a slot that ends at `slot_to_mm` [mm, board]."""

    x_mm: Length
    y_mm: Length
    diameter_mm: Amount
    slot_to_mm: Pair | None = None


class LayerRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A file that was given, what it was taken as and how that was known."""

    file: str
    role: str
    how: str
    used: bool
    note: str


class LeftOutRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A shape of the paste layer that is not paste."""

    source: str
    reason: str
    area_mm2: Amount


class BoardRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was read, without the pads."""

    name: str
    side: Side
    size_mm: Pair
    file_origin_mm: Annotated[
        Pair, Meta(description="Place of the board's (0, 0) in the files' coordinates.")
    ]
    mirrored: Annotated[
        bool, Meta(description="True when the board's x runs against the files' x (bottom side).")
    ]
    paste_from: PasteOrigin
    inputs_sha256: Sha256
    in_words: Annotated[str, Meta(description="What the board is, and how sure that is.")] = ""
    fiducials: tuple[FiducialRecord, ...]
    outline_mm: Annotated[
        tuple[Ring, ...],
        Meta(description="Edges of the board, cut-outs among them; empty where no file has it."),
    ] = ()
    holes: tuple[HoleRecord, ...] = ()
    layers: tuple[LayerRecord, ...]
    left_out: tuple[LeftOutRecord, ...]


class PlacesRecord(Places, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the boards lie. Board coordinates of the pads become machine coordinates by this alone."""

    travel_z_mm: Annotated[Length, Meta(description="Height of every travel [mm, machine].")]
    strips: Annotated[
        tuple[StripRecord, ...], Meta(description="Where paste is laid beside the boards, in order.")
    ] = ()
    park_mm: Annotated[
        Pair | None, Meta(description="Where the program ends; null: where the profile says.")
    ] = None
    neighbours: tuple[NeighbourRecord, ...] = ()
    zones: tuple[Zone, ...] = ()


class BenchRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a reader of the plan needs to know of the profile."""

    name: str
    sha256: Sha256
    dialect: DialectName
    plunger_letter: Annotated[str, Meta(pattern="^[A-Z]$")]
    plunger_unit: PlungerUnit
    paste: str
    tip_bore_mm: Positive
    tip_gauge: int | None
    barrel: str
    microstep_ul: Positive
    board_at_mm: tuple[Length, Length, Length]
    tuning_dated: str


class TotalsRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Sums over the program."""

    paste_ul: Amount
    machine_s: Amount
    machine_bound_s: Annotated[
        Amount,
        Meta(description="The same lifts, sweeps, waits and hops cannot take less at the bench's limits."),
    ] = 0.0
    deposits: Count
    pads: Count
    travel_mm: Annotated[Amount, Meta(description="Hops between deposits, from the settling strip on.")]
    travel_s: Amount
    travel_bound_s: Annotated[
        Amount, Meta(description="No order of the same deposits, by classes, is quicker.")
    ]
    paste_mg: Amount = 0.0
    strip_ul: Annotated[Amount, Meta(description="What all settling strips take [µL].")] = 0.0
    strip_mg: Amount = 0.0
    thrown_ul: Annotated[
        Amount, Meta(description="What is thrown away on the card in the middle of the board [µL].")
    ] = 0.0
    solder_ul: Annotated[Amount, Meta(description="Solder that the paste laid leaves after reflow [µL].")]
    solder_mg: Amount = 0.0
    barrel_sweep_ul: Annotated[
        float, Meta(description="What the plunger sweeps in all, settling strip included [µL].")
    ]


class DepositRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A deposit, as far as one pad is concerned."""

    id: Annotated[
        Count,
        Meta(description="Index of the deposit; the same id under several pads is one bead across them."),
    ]
    kind: DepositKind
    points_mm: Annotated[
        tuple[Pair, ...],
        Meta(
            min_length=1,
            description="Tip centre [mm, board]: one point for a dot, a polyline for a bead.",
        ),
    ]
    volume_ul: Annotated[Positive, Meta(description="What this pad gets of it [µL].")]
    total_ul: Annotated[Positive, Meta(description="The whole deposit [µL].")]
    width_mm: Amount
    height_mm: Amount
    line: Annotated[Count, Meta(description="Its first line in the program, counted from 1.")]
    within: Annotated[
        Amount, Meta(description="What 95 of 100 such deposits are predicted to be within [share of volume].")
    ] = 0.0


class ToleranceRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a pad is predicted to be off on the bench as it may be, as shares of its volume."""

    bias: Annotated[Length, Meta(description="Where it is known which way.")]
    within: Annotated[Amount, Meta(description="± at 95 % about the bias; 3: anything.")]
    most: Annotated[str, Meta(description="The constant that does most of it, or scatter.")]
    share: Annotated[Amount, Meta(description="Its part of the variance.")]


class SpreadRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How far the constants of the bench were taken to be from the profile's."""

    names: tuple[str, ...]
    covariance: Annotated[
        tuple[tuple[Length, ...], ...],
        Meta(
            description="Rows up to the diagonal: of natural logarithms, of the seal's friction in N, of the thickening"
            " of standing paste as a share."
        ),
    ]
    bias: tuple[Length, ...]
    scatter: Annotated[Amount, Meta(description="Of single dots: standard deviation of ln V.")]
    tuned: Annotated[tuple[str, ...], Meta(description="The constants that a trial told.")]
    limit: Annotated[Amount, Meta(description="What 95 of 100 pads are to be within, by the profile.")]
    reached: Annotated[Amount, Meta(description="What 95 of 100 pads are predicted to be within.")]
    beyond: Annotated[Count, Meta(description="Pads beyond the limit.")]


class BalanceRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether the paste of a thermal land carries the part level."""

    centre_mm: Annotated[Pair, Meta(description="Where the paste's centre should lie [mm, board].")]
    half_width_mm: Annotated[Positive, Meta(description="Half of the land's short side [mm].")]
    imbalance: Annotated[
        Amount, Meta(description="How far the paste's centre lies beside that, over the half width.")
    ]


class BridgeRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Another pad that the paste may bridge to."""

    pad: str
    gap_mm: Annotated[
        Length, Meta(description="Left after the placement error; below zero the pastes overlap.")
    ]
    mend: Annotated[str, Meta(description="The one change that would mend it.")]


class PadRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A pad: what it wants, what is laid on it, and why."""

    id: Annotated[str, Meta(min_length=1)]
    board: Annotated[
        str, Meta(description="Name of its board in placement.boards, in a tray of several.")
    ] = ""
    ref: str
    pin: str
    net: str
    kind: PadKind
    x_mm: Annotated[Length, Meta(description="Centre of the land [mm, board].")]
    y_mm: Length
    area_mm2: Annotated[Amount, Meta(description="Exposed land [mm²].")]
    land_mm: Annotated[
        tuple[Ring, ...],
        Meta(description="The exposed land: its edge, then its holes; by them a photo of the board is read."),
    ] = ()
    target_ul: Annotated[Amount, Meta(description="Dose [µL of this paste].")]
    planned_ul: Annotated[Amount, Meta(description="What the deposits lay on it [µL].")]
    planned_mg: Annotated[Amount, Meta(description="The same, as scales show it [mg].")] = 0.0
    solder_ul: Annotated[Amount, Meta(description="Solder that what is laid leaves after reflow [µL].")]
    form: Form
    reason: str
    source: Annotated[str, Meta(description="File and line it was read from.")]
    deposits: tuple[DepositRecord, ...]
    bridges: Annotated[
        tuple[BridgeRecord, ...], Meta(description="Told with the first pad of each pair.")
    ] = ()
    balance: Annotated[BalanceRecord | None, Meta(description="Of thermal lands that get paste.")] = None
    tolerance: ToleranceRecord | None = None
    nearest: Annotated[
        Amount | None,
        Meta(
            description="Of pads under a bead across a row: what is laid nearest to it before the paste settles, over its"
            " share [-]."
        ),
    ] = None
    warnings: tuple[str, ...]


class PartRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What all pads of one part get together; of a tray, on one board."""

    ref: str
    pads: Count
    paste_ul: Amount
    paste_mg: Amount


class FindingRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One thing wrong with the program: its line (0: the whole), and the pad it concerns where there is one."""

    kind: str
    what: str
    line: Count
    pad: str


class VerdictRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What reading the program back has found."""

    ok: bool
    findings: tuple[FindingRecord, ...]
    out_ul: float
    swept_ul: float
    stored_ul: float
    machine_s: Amount


class InspectionLimitsRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was taken for good."""

    least_volume: Annotated[Amount, Meta(description="Share of the planned volume.")]
    most_volume: Amount
    least_on_pad: Annotated[Amount, Meta(description="Share of a deposit's area that lies on its pad.")]
    most_offset: Annotated[Amount, Meta(description="Of its centre, over the planned width across.")]
    least_gap_mm: Annotated[Amount, Meta(description="Between the pastes of two pads.")]
    most_offset_mm: Annotated[Amount, Meta(description="Of its centre, however wide it is.")] = 0.15


class PlanRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The content of plan.json."""

    format: Literal[1]
    kind: Kind = ProgramKind.BOARD
    made_by: str
    program_sha256: Annotated[MaybeSha256, Meta(description="Of the program's text.")] = ""
    job_sha256: Annotated[MaybeSha256, Meta(description="Of the job file; empty without one.")] = ""
    dry: bool
    board: BoardRecord
    placement: PlacesRecord
    profile: BenchRecord
    totals: TotalsRecord
    pads: tuple[PadRecord, ...]
    parts: tuple[PartRecord, ...] = ()
    thrown: Annotated[
        tuple[ThrownRecord, ...],
        Meta(description="What is thrown away on the card in the middle of the board, in order."),
    ] = ()
    spread: Annotated[
        SpreadRecord | None, Meta(description="What tolerances were predicted from; none of a dry program.")
    ] = None
    inspection: Annotated[
        InspectionLimitsRecord | None,
        Meta(description="What the job takes for a good deposit; null where it says nothing of it."),
    ] = None
    touched: Annotated[
        TouchedRecord | None, Meta(description="What a touch-up is for; null for any other plan.")
    ] = None
    warnings: tuple[str, ...]
    verdict: VerdictRecord


def plan_of_text(text: str, *, file: str = "plan.json") -> PlanRecord:
    """Return the plan in the text of a plan.json; raises `InputError` with everything that is wrong with it."""
    return record_of_text(text, PlanRecord, what=WHAT, mend=MEND, file=file)


def plan_of_data(data: object, *, file: str = "plan.json") -> PlanRecord:
    """Return the plan of JSON-ready data; raises `InputError` with everything that is wrong with it."""
    return record_of_data(data, PlanRecord, what=WHAT, mend=MEND, file=file)


def read_plan(path: Path) -> PlanRecord:
    """Return the plan in a file."""
    return plan_of_text(text_of_file(path, what=WHAT, mend=MEND, most_bytes=MOST_BYTES), file=str(path))


def plan_text(plan: PlanRecord) -> str:
    """Return the text of plan.json."""
    return record_text(plan)


def text_before_verdict(plan: PlanRecord) -> list[bytes]:
    """Return the text of plan.json up to its verdict, which comes last: it does not depend on it. In pieces [UTF-8]."""
    *names, _ = plan.__struct_fields__
    return [b"{", *fields_text(plan, names)]


def verdict_text(verdict: VerdictRecord) -> bytes:
    """Return the end of plan.json: what follows on `text_before_verdict`."""
    return f',"verdict":{record_text(verdict).rstrip()}}}\n'.encode()


def plan_schema() -> dict[str, Any]:
    """Return the JSON schema of plan.json."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **json.schema(PlanRecord),
        "title": f"pastewright plan.json, format {FORMAT}",
    }
