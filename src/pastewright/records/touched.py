"""What a touch-up's plan tells of the board that it is for."""

from typing import Annotated

from msgspec import Meta, Struct

from pastewright.records.sha256 import MaybeSha256, Sha256


class TouchedRecord(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which board a touch-up is for, and what it was planned from. Of a plan that is no touch-up there is none."""

    inspection_sha256: Annotated[Sha256, Meta(description="Of the record of inspection.json.")]
    plan_sha256: Annotated[MaybeSha256, Meta(description="Of the plan.json that was inspected.")] = ""
    program_sha256: Annotated[MaybeSha256, Meta(description="Of the program that laid the board.")] = ""
    board: Annotated[str, Meta(description="Its name in a tray of several.")] = ""
    serial: Annotated[str, Meta(description="Which one it is, as the inspection was told.")] = ""
    journal_board: Annotated[int | None, Meta(description="Its number in the journal.")] = None
    placed_anew: Annotated[
        bool, Meta(description="Where it lies was measured for this touch-up, after it was laid.")
    ] = False
