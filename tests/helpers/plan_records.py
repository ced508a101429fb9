"""Small plans that are whole, so that a test need only say what it is about."""

from typing import Any

from pastewright.records.plan import PlanRecord, plan_of_data

SHA = "0" * 64


def place_data(name: str = "", shift_mm: tuple[float, float] = (50.0, 50.0)) -> dict[str, Any]:
    """A board that lies square at a place of the machine, 10 mm high, as data; unnamed it is in the bed's corner."""
    x, y = shift_mm
    step = {"turn_deg": 0.0, "mirrored": False, "scale_x": 1.0, "scale_y": 1.0, "skew_deg": 0.0}
    return {
        "name": name,
        "steps": [{"what": "by hand" if name else "corner on the bed", **step, "shift_mm": [x, y]}],
        "matrix": [[1.0, 0.0], [0.0, 1.0]],
        "shift_mm": [x, y],
        "surface": {"z_mm": 10.0, "slope_x": 0.0, "slope_y": 0.0, "at_mm": [0.0, 0.0]},
        "warnings": [],
    }


def pad_data(pad_id: str, deposits: list[dict[str, Any]], **changes: Any) -> dict[str, Any]:
    """A pad with its deposits, as data."""
    laid_ul = sum(deposit.get("volume_ul", 0.0) for deposit in deposits)
    return {
        "id": pad_id,
        "ref": pad_id.split("-")[0],
        "pin": pad_id.partition("-")[2],
        "net": "",
        "kind": "surface",
        "x_mm": 0.0,
        "y_mm": 0.0,
        "area_mm2": 1.0,
        "target_ul": laid_ul,
        "planned_ul": laid_ul,
        "solder_ul": 0.5 * laid_ul,
        "form": "dot",
        "reason": "by hand",
        "source": "by hand",
        "deposits": [{"width_mm": 0.6, "height_mm": 0.25, "line": 1, **deposit} for deposit in deposits],
        "warnings": [],
        **changes,
    }


def plan_data(pads: list[dict[str, Any]], **changes: dict[str, Any]) -> dict[str, Any]:
    """A plan of these pads, as data; `changes` are laid over the parts of their name."""
    laid = {deposit["id"]: deposit["total_ul"] for pad in pads for deposit in pad["deposits"]}
    parts: dict[str, Any] = {
        "board": {
            "name": "greenhouse-logger",
            "side": "top",
            "size_mm": [60.0, 40.0],
            "file_origin_mm": [0.0, 0.0],
            "mirrored": False,
            "paste_from": "paste layer",
            "inputs_sha256": SHA,
            "in_words": "60.0 × 40.0 mm, top side (one side has a paste layer)",
            "fiducials": [],
            "layers": [],
            "left_out": [],
        },
        "placement": {
            "boards": [place_data()],
            "settle": False,
            "strip_step_mm": 0.0,
            "wipe": None,
            "travel_z_mm": 12.0,
            "strips": [],
            "park_mm": None,
            "neighbours": [],
            "zones": [],
        },
        "profile": {
            "name": "bench of the tests",
            "sha256": SHA,
            "dialect": "reprap",
            "plunger_letter": "E",
            "plunger_unit": "mm",
            "paste": "Sn42Bi57Ag1, 85 wt%, type 5",
            "tip_bore_mm": 0.4,
            "tip_gauge": 22,
            "barrel": "3 mL",
            "microstep_ul": 0.001,
            "board_at_mm": [50.0, 50.0, 10.0],
            "tuning_dated": "",
        },
        "totals": {
            "paste_ul": sum(laid.values()),
            "machine_s": float(len(laid)),
            "deposits": len(laid),
            "pads": len(pads),
            "travel_mm": 0.0,
            "travel_s": 0.0,
            "travel_bound_s": 0.0,
            "solder_ul": 0.5 * sum(laid.values()),
            "barrel_sweep_ul": sum(laid.values()) + 10,
        },
        "verdict": {
            "ok": True,
            "findings": [],
            "out_ul": 0.0,
            "swept_ul": 0.0,
            "stored_ul": 0.0,
            "machine_s": 0.0,
        },
    }
    return {
        "format": 1,
        "kind": "board",
        "made_by": "the tests",
        "dry": False,
        "pads": pads,
        "warnings": [],
        **{name: {**part, **changes.get(name, {})} for name, part in parts.items()},
    }


def plan_record(pads: list[dict[str, Any]], **changes: dict[str, Any]) -> PlanRecord:
    """The record of such a plan."""
    return plan_of_data(plan_data(pads, **changes))
