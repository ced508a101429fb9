"""Values of the bench's materials. Units inside: mm, µL (= mm³), s, kPa, g/cm³; mass fractions as 0 to 1."""

from dataclasses import dataclass
from enum import StrEnum
from math import pi


@dataclass(frozen=True, slots=True, kw_only=True)
class Alloy:
    """A solder alloy; temperatures in °C, density of the solid in g/cm³."""

    name: str
    solidus_c: float
    liquidus_c: float
    density_g_cm3: float
    source: str
    tag: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Powder:
    """A powder type: at least 80 % of it lies between `lower_um` and `upper_um`."""

    type: int
    lower_um: float
    upper_um: float
    largest_um: float
    source: str
    tag: str

    @property
    def upper_mm(self) -> float:
        """Upper end of the type's range [mm], the particle that tips and apertures are judged by."""
        return self.upper_um / 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Paste:
    """A solder paste, or a stand-in for one. Flow after Herschel–Bulkley: τ = τ_y + K·γ̇ⁿ.

    `metal_mass_fraction` w is 0 for a stand-in without metal. `bulk_modulus_kpa` is that of the paste with
    its finely dispersed air, but without visible bubbles.
    """

    name: str
    alloy: Alloy
    metal_mass_fraction: float
    flux_density_g_cm3: float
    powder: Powder
    yield_stress_kpa: float
    consistency_kpa_sn: float
    flow_index: float
    bulk_modulus_kpa: float

    @property
    def metal_volume_fraction(self) -> float:
        """φ = (w/ρ_metal) / (w/ρ_metal + (1 − w)/ρ_flux), the share of the paste that becomes solder [-]."""
        return metal_volume_fraction(
            self.metal_mass_fraction,
            metal_density_g_cm3=self.alloy.density_g_cm3,
            flux_density_g_cm3=self.flux_density_g_cm3,
        )

    @property
    def density_g_cm3(self) -> float:
        """Density of the mixture [g/cm³ = mg/µL], 1/ρ = w/ρ_metal + (1 − w)/ρ_flux."""
        w = self.metal_mass_fraction
        return 1 / (w / self.alloy.density_g_cm3 + (1 - w) / self.flux_density_g_cm3)


def metal_volume_fraction(
    metal_mass_fraction: float, *, metal_density_g_cm3: float, flux_density_g_cm3: float
) -> float:
    """Share of a paste's volume that is metal [-], from its mass fraction w [-] and the two densities.

    φ = (w/ρ_metal) / (w/ρ_metal + (1 − w)/ρ_flux): volumes add, no air.
    """
    metal = metal_mass_fraction / metal_density_g_cm3
    return metal / (metal + (1 - metal_mass_fraction) / flux_density_g_cm3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tip:
    """A straight blunt tip; `gauge` is None for a tip given by its bore alone."""

    gauge: int | None
    bore_mm: float
    outer_mm: float
    length_mm: float

    @property
    def radius_mm(self) -> float:
        """Half the bore [mm]."""
        return self.bore_mm / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Barrel:
    """A syringe barrel; `fill_ul` is the paste in it at the start of the program.

    `limit_kpa` is the gauge pressure it is rated for: 700 kPa (about 100 psi) is what dispensing barrels
    are commonly sold for, medical syringes stand less (common practice; see the maker's data).
    """

    name: str
    bore_mm: float
    capacity_ul: float
    fill_ul: float
    limit_kpa: float = 700.0

    @property
    def area_mm2(self) -> float:
        """Cross-section [mm²]; a plunger step of 1 mm sweeps that many µL."""
        return pi / 4 * self.bore_mm**2


@dataclass(frozen=True, slots=True, kw_only=True)
class Screw:
    """A leadscrew; `pitch_diameter_mm` (d2) is what torque formulas ask for."""

    name: str
    lead_mm: float
    pitch_diameter_mm: float
    half_angle_deg: float
    source: str
    tag: str


class Wall(StrEnum):
    """Wall of a tip's tube; the thinner the wall, the wider the bore at one gauge."""

    REGULAR = "regular"
    THIN = "thin"
    EXTRA_THIN = "extra thin"
    ULTRA_THIN = "ultra thin"


@dataclass(frozen=True, slots=True, kw_only=True)
class TipSize:
    """A row of the tip table. `bore_mm` is nominal, or the least allowed where `least` says so.

    `disputed_bore_mm` is what another table says; `industrial_bore_mm` what dispensing tips are sold as.
    """

    gauge: int
    wall: Wall
    outer_mm: float
    bore_mm: float
    least: bool
    disputed_bore_mm: float | None
    industrial_bore_mm: float | None
    source: str
    tag: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BarrelSize:
    """A row of the barrel table; `others_mm` are the bores that other lists give."""

    name: str
    kind: str
    capacity_ul: float
    bore_mm: float
    others_mm: tuple[float, ...]
    source: str
    tag: str
    note: str

    @property
    def area_mm2(self) -> float:
        """Cross-section [mm²]."""
        return pi / 4 * self.bore_mm**2
