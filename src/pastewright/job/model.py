"""The `Job`: what is particular to one board: parts left out, rules for parts and for single pads, zones, order."""

from dataclasses import dataclass
from enum import StrEnum
from fnmatch import fnmatchcase

from msgspec import Struct
from shapely.geometry import Polygon, box

from pastewright.board.model import Side
from pastewright.job.limits import DEFAULT_LIMITS, InspectionLimits
from pastewright.profile.model import DoseRule
from pastewright.records.placement import Zone

Patterns = tuple[str, ...]


def meets(patterns: Patterns, name: str) -> bool:
    """Return whether a name meets one of the shell-style patterns; no name meets none."""
    return bool(name) and any(fnmatchcase(name, pattern) for pattern in patterns)


class LayTurn(StrEnum):
    """When a pad's paste is laid."""

    FIRST = "first"
    BETWEEN = "between"
    LAST = "last"


class LaidAs(StrEnum):
    """How a dose is wished to be laid; each but `ROW` also keeps a pad out of a bead across a row."""

    DOTS = "dots"
    BEAD = "bead"
    ALONE = "alone"
    ROW = "row"


class FormWish(Struct, frozen=True, kw_only=True):
    """How the pads of a part (and pin), or the one with this id, are wished to be laid; `line` of the file, 0 without."""

    laid_as: LaidAs
    ref: str = ""
    pin: str = ""
    pad_id: str = ""
    line: int = 0

    def meets(self, pad_id: str, ref: str, pin: str) -> bool:
        """Tell whether it speaks of a pad; a pad without names is met by its id only."""
        if self.pad_id:
            return pad_id == self.pad_id
        return meets((self.ref,), ref) and (not self.pin or meets((self.pin,), pin))


def zone_box(zone: Zone) -> Polygon:
    """Return a zone as a polygon [mm, board], without its margin."""
    return box(zone.x_from_mm, zone.y_from_mm, zone.x_to_mm, zone.y_to_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """All that a job file says; `pads` are rules for one pad each; `sha256` names the file's exact text."""

    file: str
    sha256: str
    side: Side | None = None
    not_fitted: Patterns = ()
    rules: tuple[DoseRule, ...] = ()
    pads: tuple[DoseRule, ...] = ()
    forms: tuple[FormWish, ...] = ()
    zones: tuple[Zone, ...] = ()
    first: Patterns = ()
    last: Patterns = ()
    note: str = ""
    inspection: InspectionLimits = DEFAULT_LIMITS

    def turn_of(self, ref: str) -> LayTurn:
        """Return when the pads of a part are laid."""
        if meets(self.first, ref):
            return LayTurn.FIRST
        return LayTurn.LAST if meets(self.last, ref) else LayTurn.BETWEEN


NO_JOB = Job(file="", sha256="")
"""The job that asks for nothing."""
