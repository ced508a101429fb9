"""Boards and settings made by hand, for tests of the stages between reading and routing. Not a test itself."""

from collections.abc import Iterable, Sequence

from shapely.geometry import Point, Polygon, box

from pastewright.board.model import Aperture, Board, Hole, Pad, PadKind, PasteOrigin, Side, Source
from pastewright.materials.model import Alloy, Paste, Powder, Tip
from pastewright.profile.model import DepositSettings, DoseRule, DoseSettings, Tuning

SOURCE = Source(file="by-hand.gbr", line=1)

# SAC305, density 7.38 g/cm³: P. V. Bolotoff, solder-alloy compilation, 2010.
SAC305 = Alloy(
    name="SAC305", solidus_c=217, liquidus_c=220, density_g_cm3=7.38, source="Bolotoff 2010", tag="published"
)
# J-STD-005 type 5, as tabulated by C. Lentz, 2019.
TYPE5 = Powder(type=5, lower_um=15, upper_um=25, largest_um=40, source="J-STD-005", tag="published")


def paste(metal_mass_fraction: float = 0.85) -> Paste:
    return Paste(
        name="trial paste",
        alloy=SAC305,
        metal_mass_fraction=metal_mass_fraction,
        flux_density_g_cm3=1.0,
        powder=TYPE5,
        yield_stress_kpa=0.15,
        consistency_kpa_sn=0.25,
        flow_index=0.4,
        bulk_modulus_kpa=1e5,
    )


# Bores of 23, 25, 27 and 30 gauge, regular wall: chemical supplier's gauge chart (published).
_TIPS = {23: (0.337, 0.641), 25: (0.260, 0.514), 27: (0.210, 0.413), 30: (0.159, 0.311)}


def tip(gauge: int = 25) -> Tip:
    bore_mm, outer_mm = _TIPS[gauge]
    return Tip(gauge=gauge, bore_mm=bore_mm, outer_mm=outer_mm, length_mm=12.7)


def tuning(dot_shape_ratio: float = 0.4, bead_shape_ratio: float = 0.4, bores: float = 1.3) -> Tuning:
    return Tuning(
        gain=1.0,
        bubble_ul=0.0,
        dot_shape_ratio=dot_shape_ratio,
        bead_shape_ratio=bead_shape_ratio,
        dwell_s=0.1,
        push_ul_s=1.0,
        bead_mm_s=5.0,
        smallest_dot_bores=bores,
        rest_fraction=0.5,
        dated="",
        seal_friction_n=0.0,
    )


def rule(line: int = 7, **given: object) -> DoseRule:
    return DoseRule(line=line, **given)  # type: ignore[arg-type]


def dose_settings(
    *,
    foil_mm: float = 0.12,
    transfer: tuple[tuple[float, float], ...] = ((0.1, 1.0), (2.0, 1.0)),
    paste_in_hole: bool = False,
    rules: Sequence[DoseRule] = (),
) -> DoseSettings:
    return DoseSettings(
        foil_mm=foil_mm,
        print_metal_mass_fraction=0.90,
        transfer=transfer,
        thermal_coverage=0.6,
        thermal_area_mm2=4.0,
        shrink_mm=0.0,
        paste_in_hole=paste_in_hole,
        board_mm=1.6,
        pin_mm=0.64,
        pin_square=True,
        fillet_mm=0.3,
        rules=tuple(rules),
    )


def deposit_settings(
    *,
    overhang_mm: float = 0.05,
    trim_to: float = 0.7,
    raise_to: float = 1.3,
    bridge_gap_mm: float = 0.1,
    placement_error_mm: float = 0.05,
) -> DepositSettings:
    return DepositSettings(
        bridge_gap_mm=bridge_gap_mm,
        placement_error_mm=placement_error_mm,
        overhang_mm=overhang_mm,
        trim_to=trim_to,
        raise_to=raise_to,
        row_factor=0.85,
        standoff_bores=0.5,
    )


def rectangle(x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> Polygon:
    return box(x_mm - width_mm / 2, y_mm - height_mm / 2, x_mm + width_mm / 2, y_mm + height_mm / 2)


def disc(x_mm: float, y_mm: float, diameter_mm: float) -> Polygon:
    return Point(x_mm, y_mm).buffer(diameter_mm / 2, quad_segs=32)


def pad(
    name: str,
    land: Polygon,
    *,
    apertures: Iterable[Polygon] | None = None,
    kind: PadKind = PadKind.SURFACE,
    net: str = "",
    hole: Hole | None = None,
) -> Pad:
    """A pad called "U1-3" has the reference U1 and the pin 3; its aperture is its land unless others are given."""
    ref, _, pin = name.partition("-")
    shapes = [land] if apertures is None else list(apertures)
    return Pad(
        id=name,
        kind=kind,
        land=land,
        apertures=tuple(Aperture(shape=shape, source=SOURCE) for shape in shapes),
        source=SOURCE,
        ref=ref if pin else "",
        pin=pin,
        net=net,
        hole=hole,
    )


def hole(x_mm: float, y_mm: float, diameter_mm: float, *, slot_to: tuple[float, float] | None = None) -> Hole:
    return Hole(x_mm=x_mm, y_mm=y_mm, diameter_mm=diameter_mm, plated=True, slot_to_mm=slot_to, source=SOURCE)


def board(
    pads: Iterable[Pad], *, holes: Iterable[Hole] = (), origin: PasteOrigin = PasteOrigin.PASTE_LAYER
) -> Board:
    return Board(
        name="by hand",
        side=Side.TOP,
        outline=None,
        size_mm=(50.0, 40.0),
        file_origin_mm=(0.0, 0.0),
        mirrored=False,
        pads=tuple(pads),
        holes=tuple(holes),
        fiducials=(),
        paste_origin=origin,
        layers=(),
    )
