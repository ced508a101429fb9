"""Paste-in-hole: the solder that fills a plated hole around its lead, and a fillet on either side.

         fillet     lead
           \\  |    |  /
    land ===)|    |(===      solder = hole − lead + 2 fillets
             |    |          paste  = solder / φ, φ being the metal volume fraction of the paste
    land ===)|    |(===
           /  |    |  \\
"""

from math import hypot, pi, sqrt

from msgspec import Struct

# The concave fillet is what a quarter circle leaves of its square: Gervascio 1994, McLenaghan (published).
FILLET_AREA = 1 - pi / 4
FILLET_CENTROID = (10 - 3 * pi) / (3 * (4 - pi))


class Lead(Struct, frozen=True, kw_only=True):
    """A component's lead of constant section; `size_mm` is the side of a square lead, else the diameter."""

    size_mm: float
    square: bool

    @property
    def area_mm2(self) -> float:
        """Cross-section [mm²]."""
        return self.size_mm**2 if self.square else pi / 4 * self.size_mm**2

    @property
    def radius_mm(self) -> float:
        """Radius of the round lead of equal section [mm], around which the fillet is taken to run."""
        return sqrt(self.area_mm2 / pi)

    @property
    def across_mm(self) -> float:
        """Largest extent of the section [mm]: what a hole must pass."""
        return hypot(self.size_mm, self.size_mm) if self.square else self.size_mm


def hole_area_mm2(diameter_mm: float, *, slot_length_mm: float = 0.0) -> float:
    """Opening of a hole [mm²]; of a slot when the path of the drill is `slot_length_mm` long."""
    return pi / 4 * diameter_mm**2 + diameter_mm * slot_length_mm


def fillet_area_mm2(radius_mm: float) -> float:
    """Section of a concave fillet [mm²], (1 − π/4) r²."""
    return FILLET_AREA * radius_mm**2


def fillet_volume_ul(radius_mm: float, *, lead_radius_mm: float) -> float:
    """Solder in one concave fillet around a lead [µL], V = 2π A (0.2234 r + a).

    A is the section, 0.2234 r = (10 − 3π)/(3(4 − π)) r the distance of its centroid from the lead, a the
    lead's radius (Pappus; Gervascio 1994).
    """
    centroid_mm = FILLET_CENTROID * radius_mm
    return 2 * pi * fillet_area_mm2(radius_mm) * (centroid_mm + lead_radius_mm)


def joint_solder_ul(
    *, hole_area_mm2: float, lead: Lead, board_mm: float, fillet_radius_mm: float, fillets: int = 2
) -> float:
    """Solder of a filled through-hole joint [µL] = (hole − lead) × board + fillets."""
    barrel_ul = (hole_area_mm2 - lead.area_mm2) * board_mm
    return barrel_ul + fillets * fillet_volume_ul(fillet_radius_mm, lead_radius_mm=lead.radius_mm)
