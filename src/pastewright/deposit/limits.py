"""What a bench allows a deposit to be, and what a form of deposits is."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from pastewright.deposit.model import DepositKind
from pastewright.deposit.shape import (
    dot_width_mm,
)
from pastewright.materials.model import Paste, Tip
from pastewright.materials.rules import smallest_bore_mm
from pastewright.materials.tables import tips
from pastewright.profile.model import DepositSettings, Tuning
from pastewright.records.kinds import Form as Form

# A strand may be drawn narrower than a dot that rests: the lower end of 1.2 to 1.5 bores (common practice).
BEAD_BORES = 1.2


# A deposit taller than this leans, and the part squeezes it out sideways. Own choice, about four foils.
TALL_MM = 0.5


# Cells of a grid are no wider than this many dots, so that paste is spread over a land. Own choice.
SPREAD = 2.0


# The path of a bead is at least this many widths, else it is a dot with a smear.
BEAD_PATH_WIDTHS = 0.5


EPS = 1e-9  # [mm and shares] rounding of sums, far below what any axis places


@dataclass(frozen=True, slots=True, kw_only=True)
class FormLimits:
    """What tip, paste and settings allow; lengths in mm, ratios of height over width [-]."""

    bore_mm: float
    dot_bores: float
    dot_ratio: float
    bead_ratio: float
    overhang_mm: float
    trim_to: float
    raise_to: float
    powder_bore_mm: float
    tall_mm: float = TALL_MM
    spread: float = SPREAD

    @property
    def least_dot_mm(self) -> float:
        """Width of the smallest dot."""
        return self.dot_bores * self.bore_mm

    @property
    def least_bead_mm(self) -> float:
        """Width of the narrowest bead."""
        return min(self.dot_bores, BEAD_BORES) * self.bore_mm


def limits(*, tip: Tip, paste: Paste, tuning: Tuning, settings: DepositSettings) -> FormLimits:
    """Return the limits of a bench."""
    return FormLimits(
        bore_mm=tip.bore_mm,
        dot_bores=tuning.smallest_dot_bores,
        dot_ratio=tuning.dot_shape_ratio,
        bead_ratio=tuning.bead_shape_ratio,
        overhang_mm=settings.overhang_mm,
        trim_to=settings.trim_to,
        raise_to=settings.raise_to,
        powder_bore_mm=smallest_bore_mm(paste.powder),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One deposit in the frame of its land: points (u, v) [mm]."""

    kind: DepositKind
    points_mm: tuple[tuple[float, float], ...]
    volume_ul: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FormChoice:
    """The form chosen for a dose on a land; `possible` is False where it leaves the limits."""

    form: Form
    pieces: tuple[Piece, ...]
    reason: str
    warnings: tuple[str, ...] = ()
    possible: bool = True

    @property
    def volume_ul(self) -> float:
        """Paste laid [µL]."""
        return sum(piece.volume_ul for piece in self.pieces)


def finer_tip(possible: Callable[[FormLimits], bool], limits: FormLimits) -> str:
    """Return words about the widest tip of the table, finer than this one, that makes a thing possible."""
    finer = sorted(
        (size for size in tips() if size.bore_mm < limits.bore_mm - EPS), key=lambda size: -size.bore_mm
    )
    # A finer tip lays all that a wider one does, and smaller deposits: where the finest cannot, none can.
    if not finer or not possible(replace(limits, bore_mm=finer[-1].bore_mm)):
        return "no tip of the table could"
    for size in finer:
        if possible(replace(limits, bore_mm=size.bore_mm)):
            words = f"a {size.gauge}G tip (bore {size.bore_mm:g} mm) could"
            if size.bore_mm < limits.powder_bore_mm - EPS:
                words += (
                    f", with a powder finer than this paste's, which asks for {limits.powder_bore_mm:.3f} mm"
                )
            return words
    return "no tip of the table could"


def dot_piece(at_mm: tuple[float, float], volume_ul: float, limits: FormLimits) -> Piece:
    """Return a dot of a volume at a place of the frame."""
    width_mm = dot_width_mm(volume_ul, limits.dot_ratio)
    return Piece(
        kind=DepositKind.DOT,
        points_mm=(at_mm,),
        volume_ul=volume_ul,
        width_mm=width_mm,
        height_mm=limits.dot_ratio * width_mm,
    )


def bead_piece(
    points_mm: tuple[tuple[float, float], ...], volume_ul: float, width_mm: float, limits: FormLimits
) -> Piece:
    """Return a bead of a volume and width along points of the frame."""
    return Piece(
        kind=DepositKind.BEAD,
        points_mm=points_mm,
        volume_ul=volume_ul,
        width_mm=width_mm,
        height_mm=limits.bead_ratio * width_mm,
    )
