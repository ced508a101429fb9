"""Trips to the card in the plan's record, in the program's comments, and in words; and back from the record."""

from collections.abc import Mapping

from msgspec import structs

from pastewright.counting import counted
from pastewright.motion.model import Away, Motions, Trip
from pastewright.motion.thrown import trip_width_mm
from pastewright.plan.rings import PLACE_DIGITS
from pastewright.plan.tolerances import shown
from pastewright.profile.model import Profile
from pastewright.program.model import Program
from pastewright.records.plan import PlanRecord
from pastewright.records.thrown import ThrownRecord
from pastewright.route.model import Tour

UL_DIGITS = 6


def thrown_records(
    motions: Motions, tour: Tour, program: Program, profile: Profile
) -> tuple[ThrownRecord, ...]:
    """Return the trips to the card as the plan keeps them."""
    return tuple(
        ThrownRecord(
            id=trip.deposit,
            at_mm=trip.place_mm,
            count=trip.count,
            steady_s=trip.steady_s,
            total_ul=round(trip.volume_ul, UL_DIGITS),
            width_mm=round(trip_width_mm(trip.volume_ul, profile), PLACE_DIGITS),
            before=tour.visits[visit].deposit,
            line=program.deposit_lines[trip.deposit],
        )
        for visit, trip in sorted(motions.away.trips.items())
    )


def with_trips(
    plan: PlanRecord, motions: Motions, tour: Tour, program: Program, profile: Profile
) -> PlanRecord:
    """Return a plan with the trips of other motions over the same deposits."""
    thrown = thrown_records(motions, tour, program, profile)
    whole_ul = 0.0 if motions.dry else sum(row.total_ul for row in thrown)
    totals = structs.replace(plan.totals, thrown_ul=round(whole_ul, UL_DIGITS))
    return structs.replace(plan, thrown=thrown, totals=totals)


def trips_of_plan(plan: PlanRecord, tour: Tour) -> dict[int, Trip]:
    """Return the trips that a plan keeps, by the number of the visit that they come before."""
    at = {visit.deposit: number for number, visit in enumerate(tour.visits)}
    return {
        at[row.before]: Trip(deposit=row.id, place_mm=row.at_mm, count=row.count, steady_s=row.steady_s)
        for row in plan.thrown
    }


def trip_labels(away: Away) -> Mapping[int, str]:
    """Return the comment of each trip in a program, by its number."""
    return {
        trip.deposit: f"none: {trip.volume_ul:.4f} uL thrown away on the card" for trip in away.trips.values()
    }


def thrown_words(plan: PlanRecord) -> str:
    """Return what is thrown away in the middle of the board, in a sentence; empty where nothing is."""
    if not plan.thrown:
        return ""
    across = sorted({f"{row.at_mm[0]:.1f}" for row in plan.thrown}, key=float)
    where = f"at X {across[0]}" if len(across) == 1 else f"from X {across[0]} to {across[-1]}"
    return (
        f"{counted(len(plan.thrown), 'trip')} to the card in the middle of the board: {plan.totals.thrown_ul:.2f} µL thrown"
        f" away {where} at Y {plan.thrown[0].at_mm[1]:.1f} mm: have a card there too"
    )


def afternoon_words(away: Away, profile: Profile) -> str:
    """Return what a board may be off after a quiet afternoon, where that is more than the profile asks for; else nothing."""
    if not away.beyond:
        return ""
    done = away.why_none or "what its order, its pushes and trips to the card can do is done"
    return (
        f"on a bench that a quiet afternoon leaves off (stiffness, consistency by 10 %, 2 µL of air) 95 of 100 deposits are"
        f" within {shown(away.error)} only, the profile asks for {shown(profile.verify.tolerance)}: {done}."
        " `pastewright advise` tells what would help"
    )
