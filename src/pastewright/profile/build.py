"""Checked values of a profile file to the `Profile`: the one place where its units become the model's."""

from dataclasses import replace
from typing import Any

from pastewright.materials.model import Barrel, Paste, Screw, Tip
from pastewright.materials.tables import find_alloy, find_barrel, find_powder, find_screw, find_tip, tip_of
from pastewright.profile.covariance import covariance_of, other_benches_of
from pastewright.profile.keys import KeyKind, section_named
from pastewright.profile.model import (
    BeadFeed,
    Bed,
    Camera,
    Controller,
    DepositSettings,
    DialectName,
    DoseRule,
    DoseSettings,
    Drift,
    Machine,
    PlungerDrive,
    PlungerMode,
    PlungerUnit,
    ProbeSettings,
    ProbeWord,
    Profile,
    RunSettings,
    Tuning,
    TuningRecord,
    VerifySettings,
    WhenToLearn,
)
from pastewright.profile.tuned import with_history
from pastewright.profile.values import Table, Values

# ISO 68-1: the thread angle of metric screws is 60 degrees (from memory).
METRIC_HALF_ANGLE_DEG = 30.0
IN_FRONT_MM = 15.0  # of the board: until a board is known, room for a card and a strip on it; own choice


def profile(values: Values, *, sha256: str) -> Profile:
    """Return the profile, with what its trials taught; every check must have passed."""
    machine = Machine(**_fields(values["machine"]))
    plain = Profile(
        name=values[""].text("name"),
        file=values.file,
        sha256=sha256,
        machine=machine,
        bed=_bed(values["bed"], machine),
        controller=_controller(values["controller"]),
        plunger=_plunger(values["plunger"]),
        barrel=_barrel(values["barrel"]),
        tip=_tip(values["tip"]),
        paste=_paste(values["paste"]),
        tuning=_tuning(values["tuning"]),
        dose=DoseSettings(**_fields(values["dose"]), rules=tuple(dose_rule(rule) for rule in values.rules)),
        deposit=DepositSettings(**_fields(values["deposit"])),
        verify=VerifySettings(**_fields(values["verify"])),
        drift=Drift(**_fields(values["drift"])),
        run=_run(values["run"]),
        camera=Camera(**_fields(values["camera"])),
        probe=_probe(values["probe"]),
        history=tuple(_tuning_record(entry) for entry in values.history),
    )
    return with_history(plain)


def _run(table: Table) -> RunSettings:
    fields = _fields(table)
    return RunSettings(learn=WhenToLearn(fields.pop("learn")), **fields)


def _fields(table: Table) -> dict[str, Any]:
    """Return a section's values under the model's names and in its units; what was left out is None."""
    fields: dict[str, Any] = {}
    for key in section_named(table.section).keys:
        value = table.values[key.name]
        if isinstance(value, tuple) and key.kind is KeyKind.PAIRS:
            value = tuple((ratio, part * key.scale) for ratio, part in value)
        elif isinstance(value, float) and key.scale != 1.0:
            value = value * key.scale
        fields[key.field] = value
    return fields


def _tuning_record(entry: Table) -> TuningRecord:
    fields = _fields(entry)
    covariance = covariance_of(fields.pop("covariance_of"), fields.pop("covariance"))
    others = other_benches_of(fields.pop("other_benches"))
    return TuningRecord(**fields, covariance=covariance, other_benches=others)


def _bed(table: Table, machine: Machine) -> Bed:
    fields = _fields(table)
    strip_open, park_open = fields["strip_x_mm"] is None, fields["park_x_mm"] is None
    if strip_open:
        furthest_mm = machine.x_max_mm - fields["strip_length_mm"]
        fields.update(
            strip_x_mm=max(min(fields["board_x_mm"], furthest_mm), machine.x_min_mm),
            strip_y_mm=max(fields["board_y_mm"] - IN_FRONT_MM, machine.y_min_mm),
        )
    if park_open:
        fields.update(park_x_mm=fields["strip_x_mm"], park_y_mm=fields["strip_y_mm"])
    return Bed(**fields, strip_open=strip_open, park_open=park_open)


def _controller(table: Table) -> Controller:
    fields = _fields(table)
    return Controller(
        dialect=DialectName(fields.pop("dialect")),
        plunger_mode=PlungerMode(fields.pop("plunger_mode")),
        bead_feed=BeadFeed(fields.pop("bead_feed")),
        **fields,
    )


def _plunger(table: Table) -> PlungerDrive:
    fields = _fields(table)
    name, lead_mm = fields.pop("screw"), fields.pop("lead_mm")
    diameter_mm, half_angle_deg = fields.pop("pitch_diameter_mm"), fields.pop("half_angle_deg")
    if name is not None:
        screw = find_screw(name)
    else:
        screw = Screw(
            name=f"lead {lead_mm:g} mm",
            lead_mm=lead_mm,
            pitch_diameter_mm=diameter_mm,
            half_angle_deg=METRIC_HALF_ANGLE_DEG if half_angle_deg is None else half_angle_deg,
            source="the profile",
            tag="given",
        )
    return PlungerDrive(unit=PlungerUnit(fields.pop("unit")), screw=screw, **fields)


def _barrel(table: Table) -> Barrel:
    fields = _fields(table)
    name, bore_mm, capacity_ul = fields["size"], fields["bore_mm"], fields["capacity_ul"]
    if name is not None:
        size = find_barrel(name)
        name = size.name
        bore_mm = size.bore_mm if bore_mm is None else bore_mm
        capacity_ul = size.capacity_ul if capacity_ul is None else capacity_ul
    fill_ul = capacity_ul if fields["fill_ul"] is None else fields["fill_ul"]
    return Barrel(
        name=name or f"{capacity_ul / 1000:g} mL, bore {bore_mm:g} mm",
        bore_mm=bore_mm,
        capacity_ul=capacity_ul,
        fill_ul=fill_ul,
        limit_kpa=fields["limit_kpa"],
    )


def _tip(table: Table) -> Tip:
    fields = _fields(table)
    given = {name: fields[name] for name in ("bore_mm", "outer_mm") if fields[name] is not None}
    if fields["gauge"] is None:
        return Tip(gauge=None, length_mm=fields["length_mm"], **given)
    return replace(tip_of(find_tip(fields["gauge"]), length_mm=fields["length_mm"]), **given)


def _paste(table: Table) -> Paste:
    fields = _fields(table)
    alloy = find_alloy(fields.pop("alloy"))
    powder = find_powder(fields.pop("powder_type"))
    label = f"{alloy.name}, {fields['metal_mass_fraction'] * 100:g} wt%, type {powder.type}"
    return Paste(name=fields.pop("name") or label, alloy=alloy, powder=powder, **fields)


def _tuning(table: Table) -> Tuning:
    fields = _fields(table)
    return Tuning(fastest_push=fields.pop("board_push") == "fastest", **fields)


def _probe(table: Table) -> ProbeSettings:
    fields = _fields(table)
    return ProbeSettings(word=ProbeWord(fields.pop("word")), **fields)


def dose_rule(table: Table, section: str = "") -> DoseRule:
    """Return a rule; `section` is where its keys are found, when they stand under another name in the file."""
    fields = _fields(replace(table, section=section) if section else table)
    if fields["area_to_mm2"] is None:
        fields["area_to_mm2"] = float("inf")
    fields["kind"] = fields["kind"] or ""
    return DoseRule(**fields, line=table.lines[""] or 0)
