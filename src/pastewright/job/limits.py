"""What is taken for a good deposit."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionLimits:
    """Shares of what is planned, and lengths [mm].

    Volume: inspection of prints commonly passes 50 to 150 % (common practice). A deposit's centre may lie beside its
    place by a quarter of its width, as parts may lie beside their lands by a quarter of theirs (common practice, from
    memory of acceptance standards). Three quarters of what should lie on the pad must (the same quarter). The gap is
    that of the planner's own check against bridging.
    """

    least_volume: float = 0.5
    most_volume: float = 1.5
    least_on_pad: float = 0.75
    most_offset: float = 0.25
    least_gap_mm: float = 0.05


DEFAULT_LIMITS = InspectionLimits()
