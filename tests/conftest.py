"""Fixtures for every test: `check_value` gives one worked case of `data/check-values.toml` by its id.

def test_area_ratio_of_a_rectangle(check_value):
    case = check_value("ar-rect-1x05")
    ratio = area_ratio(case.of("length", "mm"), case.of("width", "mm"), case.of("foil", "mm"))
    assert case.agrees(ratio), case.source
"""

import os
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from math import pi
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

from pastewright.cli.app import main

# The build server draws the same examples each time, so that a red run speaks of the change; at a desk they vary.
settings.register_profile("steady", deadline=None, print_blob=True, derandomize=bool(os.environ.get("CI")))
settings.load_profile("steady")


@pytest.fixture(scope="session", autouse=True)
def unsynced():
    """No power is cut in tests: journals are not synced to the disk, which is most of the time of a made-up batch. Gives
    the product's own word.
    """
    from pastewright.link import journal

    ours = journal.SYNCED
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(journal, "SYNCED", "OFF")
        yield ours


CHECK_VALUES = Path(__file__).parent / "data" / "check-values.toml"

# Factor to the SI unit of the same kind. Exact by definition (NIST SP 811, appendix B) but for cmHg
# (conventional, 1333.22 Pa). The kind is what keeps mm from being read as kPa.
UNITS = {
    "1": ("number", 1.0),
    "count": ("number", 1.0),
    "percent": ("number", 1e-2),
    "wt%": ("number", 1e-2),
    "vol%": ("number", 1e-2),
    "m": ("length", 1.0),
    "cm": ("length", 1e-2),
    "mm": ("length", 1e-3),
    "um": ("length", 1e-6),
    "in": ("length", 0.0254),
    "mil": ("length", 0.0254e-3),
    "ft": ("length", 0.3048),
    "mile": ("length", 1609.344),
    "mm2": ("area", 1e-6),
    "mil2": ("area", 0.0254e-3**2),
    "m3": ("volume", 1.0),
    "cm3": ("volume", 1e-6),
    "mL": ("volume", 1e-6),
    "mm3": ("volume", 1e-9),
    "uL": ("volume", 1e-9),
    "nL": ("volume", 1e-12),
    "in3": ("volume", 0.0254**3),
    "s": ("time", 1.0),
    "min": ("time", 60.0),
    "1/s": ("rate", 1.0),
    "m/s": ("speed", 1.0),
    "mm/s": ("speed", 1e-3),
    "ft/s": ("speed", 0.3048),
    "m/s2": ("acceleration", 1.0),
    "mm/s2": ("acceleration", 1e-3),
    "m3/s": ("flow", 1.0),
    "cm3/s": ("flow", 1e-6),
    "mm3/s": ("flow", 1e-9),
    "uL/s": ("flow", 1e-9),
    "mL/h": ("flow", 1e-6 / 3600),
    "ft3/min": ("flow", 0.3048**3 / 60),
    "kg": ("mass", 1.0),
    "g": ("mass", 1e-3),
    "mg": ("mass", 1e-6),
    "g/s": ("mass flow", 1e-3),
    "kg/h": ("mass flow", 1 / 3600),
    "kg/m3": ("density", 1.0),
    "g/cm3": ("density", 1e3),
    "N": ("force", 1.0),
    "kN": ("force", 1e3),
    "lbf": ("force", 4.4482216152605),
    "N.m": ("torque", 1.0),
    "lbf.in": ("torque", 4.4482216152605 * 0.0254),
    "Pa": ("pressure", 1.0),
    "kPa": ("pressure", 1e3),
    "MPa": ("pressure", 1e6),
    "psi": ("pressure", 6894.757293168),
    "cmHg": ("pressure", 1333.22),
    "lbf/100ft2": ("pressure", 4.4482216152605 / (100 * 0.3048**2)),
    "Pa/m": ("gradient", 1.0),
    "psi/ft": ("gradient", 6894.757293168 / 0.3048),
    "Pa.s": ("viscosity", 1.0),
    "mPa.s": ("viscosity", 1e-3),
    "cP": ("viscosity", 1e-3),
    "Pa.s^n": ("consistency", 1.0),
    "kPa.s^n": ("consistency", 1e3),
    "m3/Pa": ("compliance", 1.0),
    "uL/kPa": ("compliance", 1e-12),
    "deg": ("angle", pi / 180),
    "rad": ("angle", 1.0),
    "degC": ("temperature", 1.0),
    "step/mm": ("steps", 1.0),
    "mm/mL": ("travel per volume", 1.0),
    "text": ("text", 1.0),
}


def converted(value: Any, *, unit: str, to: str) -> Any:
    """Return `value` in another unit of the same kind; a float, or an array where the case holds a list."""
    (kind, factor), (other_kind, other_factor) = UNITS[unit], UNITS[to]
    if unit == to:
        return np.array(value) if isinstance(value, list) else value
    if kind != other_kind:
        raise ValueError(f"{unit} is a {kind}, {to} a {other_kind}")
    return (
        np.array(value) * factor / other_factor if isinstance(value, list) else value * factor / other_factor
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One input of a case, as written there."""

    value: Any
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckValue:
    """One worked case. `expected` is as the source prints it, `computed` the same at full precision."""

    id: str
    quantity: str
    formula: str
    expression: str
    inputs: dict[str, Quantity]
    expected: Any
    computed: Any
    unit: str
    tolerance_kind: str
    tolerance: float
    source: str
    tag: str
    external: bool

    def of(self, name: str, unit: str) -> Any:
        """Return the input `name` in `unit` (an array where the case holds a list)."""
        given = self.inputs[name]
        return converted(given.value, unit=given.unit, to=unit)

    def agrees(self, value: Any, unit: str | None = None) -> bool:
        """Tell whether `value` (in `unit`, else in the case's own) is what the source says, as it rounds."""
        if self.tolerance_kind == "exact":
            return bool(value == self.expected)
        got = self._in_own_unit(value, unit)
        wanted = np.asarray(self.expected, dtype=float)
        limit = self.tolerance * (np.abs(wanted) if self.tolerance_kind == "rel" else 1.0)
        # A hair of float noise is allowed where a tolerance is 0 or sits on a rounding edge.
        return got.shape == wanted.shape and bool(
            np.all(np.abs(got - wanted) <= limit + 1e-12 * np.abs(wanted))
        )

    def agrees_closely(self, value: Any, unit: str | None = None, *, rel: float = 1e-6) -> bool:
        """Tell whether `value` is the unrounded answer within `rel`; catches what a rounded answer hides."""
        got = self._in_own_unit(value, unit)
        wanted = np.asarray(self.computed, dtype=float)
        return got.shape == wanted.shape and bool(np.allclose(got, wanted, rtol=rel, atol=0.0))

    def _in_own_unit(self, value: Any, unit: str | None) -> np.ndarray:
        plain = np.asarray(value, dtype=float).tolist()
        return np.asarray(converted(plain, unit=unit or self.unit, to=self.unit), dtype=float)


@cache
def check_value_file() -> dict[str, Any]:
    """Return the whole file of check values, parsed."""
    return tomllib.loads(CHECK_VALUES.read_text(encoding="utf-8"))


@cache
def check_values() -> dict[str, CheckValue]:
    """Return every case by its id."""
    return {
        case["id"]: CheckValue(
            id=case["id"],
            quantity=case["quantity"],
            formula=case["formula"],
            expression=case["expression"],
            inputs={name: Quantity(**given) for name, given in case["inputs"].items()},
            expected=case["expected"],
            computed=case["computed"],
            unit=case["unit"],
            tolerance_kind=case["tolerance"]["kind"],
            tolerance=case["tolerance"]["value"],
            source=case["source"],
            tag=case["tag"],
            external=case["external"],
        )
        for case in check_value_file()["case"]
    }


@pytest.fixture(scope="session")
def check_value() -> Callable[[str], CheckValue]:
    """Return a function from a case's id to the case; an unknown id is a KeyError."""
    return lambda name: check_values()[name]


@pytest.fixture(scope="session")
def check_table() -> Callable[[str], list[dict[str, Any]]]:
    """Return a function from a table's name ("alloys", "threads", …) to its rows."""
    return lambda name: check_value_file()["tables"][name]["rows"]


@pytest.fixture
def run_pastewright(capsys, monkeypatch):
    """Run `pastewright` with these words as a person does; gives the exit code and all that was said."""

    def runs(*words):
        monkeypatch.setattr("sys.argv", ["pastewright", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
        said = capsys.readouterr()
        return left.value.code, said.out + said.err

    return runs
