"""The tables shipped as data files, as values; each row keeps its source and tag. Rules about them are in `rules`.

`find_*` look a row up by the name people use; an unknown name is an `InputError` with the nearest names.
"""

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from typing import Any

from pastewright.materials.model import Alloy, BarrelSize, Powder, Screw, Tip, TipSize, Wall
from pastewright.problems import InputError, one_error


@cache
def _rows(table: str, kind: str) -> tuple[dict[str, Any], ...]:
    text = files("pastewright.materials").joinpath("data", f"{table}.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)[kind])


@cache
def _places(table: str, kind: str) -> dict[str, int]:
    """The place of each row by its name and its other names, in folded letters; the first row wins."""
    places: dict[str, int] = {}
    for index, row in enumerate(_rows(table, kind)):
        for word in (row["name"], *row.get("aliases", [])):
            places.setdefault(_fold(word), index)
    return places


@cache
def alloys() -> tuple[Alloy, ...]:
    """Return the alloys, lead-free families first."""
    return tuple(
        Alloy(
            name=row["name"],
            solidus_c=row["solidus_c"],
            liquidus_c=row["liquidus_c"],
            density_g_cm3=row["density_g_cm3"],
            source=row["source"],
            tag=row["tag"],
        )
        for row in _rows("alloys", "alloy")
    )


@cache
def powders() -> tuple[Powder, ...]:
    """Return the powder types 1 (coarse) to 8 (fine)."""
    return tuple(
        Powder(
            type=row["type"],
            lower_um=row["lower_um"],
            upper_um=row["upper_um"],
            largest_um=row["largest_um"],
            source=row["source"],
            tag=row["tag"],
        )
        for row in _rows("powders", "powder")
    )


@cache
def tips() -> tuple[TipSize, ...]:
    """Return the regular-wall tips, wide (14 G) to narrow (34 G)."""
    return tuple(_tip_size(row, least=False) for row in _rows("tips", "tip"))


@cache
def least_bores() -> tuple[TipSize, ...]:
    """Return the least bores by gauge and wall after ISO 9626."""
    return tuple(_tip_size(row, least=True) for row in _rows("tips", "least"))


def _tip_size(row: Mapping[str, Any], *, least: bool) -> TipSize:
    return TipSize(
        gauge=row["gauge"],
        wall=Wall(row.get("wall", Wall.REGULAR)),
        outer_mm=row["outer_mm"],
        bore_mm=row["bore_mm"],
        least=least,
        disputed_bore_mm=row.get("disputed_bore_mm"),
        industrial_bore_mm=row.get("industrial_bore_mm"),
        source=row["source"],
        tag=row["tag"],
        note=row.get("note", ""),
    )


@cache
def barrels() -> tuple[BarrelSize, ...]:
    """Return the barrels, small to large: syringes, then cartridges."""
    return tuple(
        BarrelSize(
            name=row["name"],
            kind=row["kind"],
            capacity_ul=row["capacity_ml"] * 1000,
            bore_mm=row["bore_mm"],
            others_mm=tuple(row["others_mm"]),
            source=row["source"],
            tag=row["tag"],
            note=row.get("note", ""),
        )
        for row in _rows("barrels", "barrel")
    )


@cache
def screws() -> tuple[Screw, ...]:
    """Return metric coarse threads, then trapezoidal ones."""
    return tuple(
        Screw(
            name=row["name"],
            lead_mm=row["lead_mm"],
            pitch_diameter_mm=row["pitch_diameter_mm"],
            half_angle_deg=row["half_angle_deg"],
            source=row["source"],
            tag=row["tag"],
        )
        for row in _rows("screws", "screw")
    )


def find_alloy(name: str) -> Alloy:
    """Return the alloy called `name` ("Sn42Bi58", "SAC305"); InputError names the nearest."""
    return alloys()[_place("alloy", name)]


def find_barrel(name: str) -> BarrelSize:
    """Return the barrel called `name` ("3 mL", "cartridge 10 mL"); InputError names the nearest."""
    return barrels()[_place("barrel", name)]


def find_screw(name: str) -> Screw:
    """Return the screw called `name` ("M5", "Tr8x2"); InputError names the nearest."""
    return screws()[_place("screw", name)]


def find_powder(powder_type: int) -> Powder:
    """Return the powder of a type number, 1 to 8."""
    for powder in powders():
        if powder.type == powder_type:
            return powder
    raise one_error(f"there is no powder type {powder_type}", "Types run from 1 (coarse) to 8 (fine).")


def find_tip(gauge: int) -> TipSize:
    """Return the regular-wall tip of a gauge, 14 to 34."""
    for size in tips():
        if size.gauge == gauge:
            return size
    raise one_error(
        f"there is no {gauge} gauge tip in the table",
        f"Gauges run from {tips()[0].gauge} to {tips()[-1].gauge}; give the bore in mm instead.",
    )


def tip_of(size: TipSize, *, length_mm: float) -> Tip:
    """Return the tip made of a row of the table, cut to `length_mm`."""
    return Tip(gauge=size.gauge, bore_mm=size.bore_mm, outer_mm=size.outer_mm, length_mm=length_mm)


def nearest(name: str, known: Iterable[str]) -> str:
    """Return the known word most like `name` in any letter case, or nothing when none is like it."""
    by_fold = {_fold(word): word for word in reversed(list(known))}
    close = get_close_matches(_fold(name), by_fold, n=1, cutoff=0.6)
    return by_fold[close[0]] if close else ""


def _place(what: str, name: str) -> int:
    index = _places(f"{what}s", what).get(_fold(name))
    if index is None:
        raise _unknown(what, name, _rows(f"{what}s", what))
    return index


def _unknown(what: str, name: str, rows: Sequence[Mapping[str, Any]]) -> InputError:
    words = [word for row in rows for word in (row["name"], *row.get("aliases", []))]
    close = nearest(name, words)
    hint = f"Did you mean {close!r}? " if close else ""
    return one_error(
        f"there is no {what} {name!r} in the table",
        hint + "Known: " + ", ".join(row["name"] for row in rows) + ".",
    )


def _fold(word: str) -> str:
    return "".join(word.lower().split())
