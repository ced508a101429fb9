"""What is taken for a good deposit."""

from msgspec import Struct

from pastewright.records.plan import InspectionLimitsRecord


class InspectionLimits(Struct, frozen=True, kw_only=True):
    """Shares of what is planned, and lengths [mm].

    Volume: inspection of prints commonly passes 50 to 150 % (common practice). A deposit's centre may lie beside its
    place by a quarter of its width, as parts may lie beside their lands by a quarter of theirs (common practice, from
    memory of acceptance standards), and by no more than 0.15 mm, however wide it is: three times what a machine of this
    kind is off by (own choice). Three quarters of what should lie on the pad must (the same quarter). The gap is
    that of the planner's own check against bridging.
    """

    least_volume: float = 0.5
    most_volume: float = 1.5
    least_on_pad: float = 0.75
    most_offset: float = 0.25
    most_offset_mm: float = 0.15
    least_gap_mm: float = 0.05


DEFAULT_LIMITS = InspectionLimits()


def limits_record(limits: InspectionLimits) -> InspectionLimitsRecord:
    """Return limits as plan.json and inspection.json keep them."""
    return InspectionLimitsRecord(
        least_volume=limits.least_volume,
        most_volume=limits.most_volume,
        least_on_pad=limits.least_on_pad,
        most_offset=limits.most_offset,
        most_offset_mm=limits.most_offset_mm,
        least_gap_mm=limits.least_gap_mm,
    )


def limits_of_record(record: InspectionLimitsRecord | None) -> InspectionLimits:
    """Return the limits that a plan keeps; the usual ones where it keeps none."""
    if record is None:
        return DEFAULT_LIMITS
    return InspectionLimits(
        least_volume=record.least_volume,
        most_volume=record.most_volume,
        least_on_pad=record.least_on_pad,
        most_offset=record.most_offset,
        most_offset_mm=record.most_offset_mm,
        least_gap_mm=record.least_gap_mm,
    )
