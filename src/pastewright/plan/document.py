"""The plan as plain data: the content of `plan.json` and the rows of `pads.csv`.

The shape is fixed (docs/plan.schema.json) so that scripts can rely on it. A bead laid across several pads
appears under each of them with that pad's share as `volume_ul`, the whole bead's volume as `total_ul` and
the same `id`.
"""

from collections.abc import Sequence
from typing import Any

from pastewright.board.model import Board
from pastewright.deposit.model import Deposit, Layout, PadPlan
from pastewright.dose.model import Dose
from pastewright.motion.model import Motions
from pastewright.place.transform import Placements, on_bed
from pastewright.place.tray.document import placements_data
from pastewright.problems import Problem
from pastewright.profile.model import Profile
from pastewright.program.model import Program
from pastewright.readback.model import Verdict
from pastewright.route.model import Sequence as Tour
from pastewright.version import __version__

FORMAT = 1
PAD_COLUMNS = (
    "id",
    "ref",
    "pin",
    "net",
    "kind",
    "x_mm",
    "y_mm",
    "area_mm2",
    "target_ul",
    "planned_ul",
    "form",
    "deposits",
    "reason",
    "warnings",
)


def plan_document(
    *,
    board: Board,
    profile: Profile,
    doses: Sequence[Dose],
    layout: Layout,
    tour: Tour,
    motions: Motions,
    program: Program,
    warnings: Sequence[str],
    placements: Placements | None = None,
) -> dict[str, Any]:
    """Return the plan as JSON-ready data, with an empty verdict that `with_verdict` fills in.

    Of a tray, `board` has the pads of all its boards, board by board, as `placements` (the bed's corner without).
    """
    where = placements or on_bed(profile.bed)
    return {
        "format": FORMAT,
        "made_by": f"pastewright {__version__}",
        "dry": motions.dry,
        "board": board_data(board),
        "placement": {
            **placements_data(where),
            "travel_z_mm": round(max(move.z_mm for move in motions.moves), 6),
        },
        "profile": profile_data(profile),
        "totals": {
            "paste_ul": _ul(sum(deposit.volume_ul for deposit in layout.deposits)),
            "machine_s": round(motions.machine_s, 2),
            "deposits": len(layout.deposits),
            "pads": sum(1 for plan in layout.pads if plan.deposits),
            "travel_mm": round(tour.travel_mm, 3),
            "travel_bound_mm": round(tour.bound_mm, 3),
            "travel_s": round(tour.travel_s, 3),
            "travel_bound_s": round(tour.bound_s, 3),
            "solder_ul": _ul(sum(dose.solder_ul for dose in doses)),
            "barrel_sweep_ul": _ul(motions.swept_ul),
        },
        "pads": _pads(board, doses, layout, program, where),
        "warnings": list(warnings),
        "verdict": {"ok": False, "findings": []},
    }


def with_verdict(document: dict[str, Any], verdict: Verdict) -> dict[str, Any]:
    """Return the plan with its verdict in place."""
    return {**document, "verdict": verdict_data(verdict)}


def verdict_data(verdict: Verdict) -> dict[str, Any]:
    """Return the verdict as JSON-ready data."""
    return {
        "ok": verdict.ok,
        "findings": [
            {"kind": str(finding.kind), "what": finding.what, "line": finding.line, "pad": finding.pad_id}
            for finding in verdict.findings
        ],
        "out_ul": _ul(verdict.out_ul),
        "swept_ul": _ul(verdict.swept_ul),
        "stored_ul": _ul(verdict.stored_ul),
        "machine_s": round(verdict.machine_s, 2),
    }


def board_data(board: Board) -> dict[str, Any]:
    """Return what was read, without the pads, as JSON-ready data."""
    return {
        "name": board.name,
        "side": str(board.side),
        "size_mm": [round(size, 4) for size in board.size_mm],
        "file_origin_mm": [round(place, 4) for place in board.file_origin_mm],
        "mirrored": board.mirrored,
        "paste_from": str(board.paste_origin),
        "inputs_sha256": board.inputs_sha256,
        "fiducials": [
            {
                "x_mm": round(mark.x_mm, 4),
                "y_mm": round(mark.y_mm, 4),
                "diameter_mm": round(mark.diameter_mm, 4),
            }
            for mark in board.fiducials
        ],
        "layers": [
            {"file": use.file, "role": str(use.role), "how": use.how, "used": use.used, "note": use.note}
            for use in board.layers
        ],
        "left_out": [
            {
                "source": str(left.source),
                "reason": left.reason,
                "area_mm2": round(float(left.shape.area), 4),
            }
            for left in board.left_out
        ],
    }


def profile_data(profile: Profile) -> dict[str, Any]:
    """Return the settings that a reader of the plan needs, as JSON-ready data."""
    return {
        "name": profile.name,
        "sha256": profile.sha256,
        "dialect": str(profile.controller.dialect),
        "plunger_letter": profile.plunger.letter,
        "plunger_unit": str(profile.plunger.unit),
        "paste": profile.paste.name,
        "tip_bore_mm": profile.tip.bore_mm,
        "tip_gauge": profile.tip.gauge,
        "barrel": profile.barrel.name,
        "microstep_ul": round(profile.microstep_ul, 7),
        "board_at_mm": [profile.bed.board_x_mm, profile.bed.board_y_mm, profile.bed.board_z_mm],
        "tuning_dated": profile.tuning.dated,
    }


def pad_rows(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return the rows of `pads.csv` under `PAD_COLUMNS`."""
    return [
        {
            **{name: str(pad[name]) for name in PAD_COLUMNS if name not in {"deposits", "warnings"}},
            "deposits": str(len(pad["deposits"])),
            "warnings": "; ".join(pad["warnings"]),
        }
        for pad in document["pads"]
    ]


def problem_text(problem: Problem) -> str:
    """Return a problem of reading on one line, for the plan's list of warnings."""
    what, _, mend = str(problem).partition("\n")
    stop = "" if not mend or what.endswith((".", "!", "?")) else "."
    return " ".join(f"{what}{stop} {mend}".split())


def _pads(
    board: Board, doses: Sequence[Dose], layout: Layout, program: Program, placements: Placements
) -> list[dict[str, Any]]:
    rows = []
    each = max(len(board.pads) // len(placements.boards), 1)
    tray = len(placements.boards) > 1
    for number, (pad, dose, plan) in enumerate(zip(board.pads, doses, layout.pads, strict=True)):
        centre = pad.land.centroid
        rows.append(
            {
                "id": pad.id,
                **({"board": placements.boards[number // each].name} if tray else {}),
                "ref": pad.ref,
                "pin": pad.pin,
                "net": pad.net,
                "kind": str(pad.kind),
                "x_mm": round(centre.x, 4),
                "y_mm": round(centre.y, 4),
                "area_mm2": round(pad.land.area, 5),
                "target_ul": _ul(dose.target_ul),
                "planned_ul": _ul(plan.planned_ul),
                "solder_ul": _ul(dose.solder_ul),
                "form": plan.form,
                "reason": f"{dose.reason}; {plan.reason}" if plan.reason else dose.reason,
                "source": str(pad.source),
                "deposits": [_deposit(layout.deposits[index], plan, program) for index in plan.deposits],
                "warnings": [*dose.warnings, *plan.warnings],
            }
        )
    return rows


def _deposit(deposit: Deposit, plan: PadPlan, program: Program) -> dict[str, Any]:
    share_ul = sum(share.volume_ul for share in deposit.shares if share.pad_id == plan.pad_id)
    return {
        "id": deposit.index,
        "kind": str(deposit.kind),
        "points_mm": [[round(x, 4), round(y, 4)] for x, y in deposit.points_mm],
        "volume_ul": _ul(share_ul),
        "total_ul": _ul(deposit.volume_ul),
        "width_mm": round(deposit.width_mm, 4),
        "height_mm": round(deposit.height_mm, 4),
        "line": program.deposit_lines.get(deposit.index, 0),
    }


def _ul(volume_ul: float) -> float:
    """Volumes to a tenth of a nanolitre: finer than any microstep, short enough to read."""
    return round(volume_ul, 6)
