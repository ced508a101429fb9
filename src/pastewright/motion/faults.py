"""What a person must hear about planned motions: out of reach, barrel too small, uneven beads, slow pushes."""

from collections.abc import Iterable, Sequence

from pastewright.counting import counted
from pastewright.motion.cycles import Cycles
from pastewright.motion.model import Move
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.cycle import most_flow_ul_s
from pastewright.plunger.limits import boards_per_barrel, pressure_problems, resolution_problems
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.problems import InputError, Problem, Severity, one_error
from pastewright.profile.model import Profile

# Share of a bead that lies at its two ends beyond what their length is due, above which it is a dumb-bell.
UNEVEN_BEAD = 0.3

# A walk is slowed for its plunger's sake where its flow is this near to the most that is planned with.
FLOW_LIMITED = 0.95

# Places may miss the travel of an axis by this much [mm]: rounding, not reach.
REACH_SLACK_MM = 1e-6


def checked(problems: Iterable[Problem]) -> tuple[str, ...]:
    """Return the warnings as text; raises `InputError` with all problems when one of them is an error."""
    kept = tuple(problems)
    if any(problem.severity is Severity.ERROR for problem in kept):
        raise InputError(kept)
    return tuple(_sentence(problem) for problem in kept)


def _sentence(problem: Problem) -> str:
    return f"{problem.what}. {problem.mend}" if problem.mend else problem.what


def findings(
    cycles: Cycles,
    *,
    moves: Sequence[Move],
    furthest_mm: float,
    bench: PlungerBench,
    profile: Profile,
) -> list[Problem]:
    """Return all problems of the planned motions, errors and warnings."""
    volumes = [cycle.volume_ul for cycle in cycles.visits]
    return [
        *_reach(moves, profile),
        *_barrel(cycles, furthest_mm=furthest_mm, bench=bench, profile=profile),
        *resolution_problems(volumes, bench),
        *pressure_problems(cycles.peak_kpa, bench),
        *_beads(cycles, bench, profile),
        *_pushes(cycles, bench),
    ]


def check_fits(size_mm: tuple[float, float], profile: Profile) -> None:
    """Raise `InputError` for a board (or what was taken for one) that is larger than the machine's travel."""
    machine = profile.machine
    travel_mm = (machine.x_max_mm - machine.x_min_mm, machine.y_max_mm - machine.y_min_mm)
    pairs = zip(sorted(size_mm), sorted(travel_mm), strict=True)
    if all(size <= travel + REACH_SLACK_MM for size, travel in pairs):
        return
    raise one_error(
        f"the board is {size_mm[0]:.1f} × {size_mm[1]:.1f} mm, larger than the machine's travel of"
        f" {travel_mm[0]:.1f} × {travel_mm[1]:.1f} mm",
        "Look whether a frame or a panel was taken for the board (`pastewright look`), or correct [machine].",
        file=profile.file,
    )


def _reach(moves: Sequence[Move], profile: Profile) -> list[Problem]:
    machine = profile.machine
    limits = {
        "X": (machine.x_min_mm, machine.x_max_mm, [move.x_mm for move in moves]),
        "Y": (machine.y_min_mm, machine.y_max_mm, [move.y_mm for move in moves]),
        "Z": (machine.z_min_mm, machine.z_max_mm, [move.z_mm for move in moves]),
    }
    problems = []
    for axis, (low, high, places) in limits.items():
        least, most = min(places), max(places)
        if least < low - REACH_SLACK_MM or most > high + REACH_SLACK_MM:
            problems.append(
                Problem(
                    what=f"the program needs {axis} from {least:.3f} to {most:.3f} mm;"
                    f" the machine has {low:.3f} to {high:.3f} mm",
                    mend="Move the board, the strip or the park position in [bed], or correct [machine].",
                    file=profile.file,
                )
            )
    return problems


def _barrel(cycles: Cycles, *, furthest_mm: float, bench: PlungerBench, profile: Profile) -> list[Problem]:
    strip_ul = cycles.strip_ul
    board_ul = sum(cycle.volume_ul for cycle in cycles.visits)
    fill_ul = profile.barrel.fill_ul
    problems = []
    # At its furthest the plunger has swept what is stored under pressure as well.
    most_ul = furthest_mm * bench.ul_per_mm
    if most_ul > fill_ul:
        problems.append(
            Problem(
                what=f"one board and its settling strip sweep {most_ul:.0f} µL; the barrel holds {fill_ul:.0f} µL,"
                f" enough for {max(fill_ul - strip_ul, 0) / board_ul:.2f} boards",
                mend="Fill the barrel, use a larger one, or plan the board in parts.",
                file=profile.file,
            )
        )
    if furthest_mm > profile.plunger.stroke_mm:
        boards = boards_per_barrel(profile, board_ul=board_ul, settling_ul=strip_ul)
        problems.append(
            Problem(
                what=f"the plunger would go {furthest_mm:.2f} mm; its stroke is {profile.plunger.stroke_mm:.2f} mm,"
                f" enough for {counted(boards, 'board')}",
                mend="Use a barrel with a larger bore, correct stroke_mm, or plan the board in parts.",
                file=profile.file,
            )
        )
    return problems


def _beads(cycles: Cycles, bench: PlungerBench, profile: Profile) -> list[Problem]:
    beads = [
        (end / cycle.volume_ul, walk)
        for cycle, walk, end in zip(cycles.visits, cycles.walks, cycles.ends_ul, strict=True)
        if walk is not None
    ]
    problems = []
    uneven = [share for share, _ in beads if share > UNEVEN_BEAD]
    if uneven:
        problems.append(
            Problem(
                what=f"{len(uneven)} of {len(beads)} beads are uneven: more than {UNEVEN_BEAD:.0%} of their paste (up to"
                f" {max(uneven):.0%}) comes out at their ends, while pressure builds up and goes",
                mend="Bleed the barrel, use a smaller one, push faster (push_ul_s) or walk slower (bead_mm_s).",
                severity=Severity.WARNING,
            )
        )
    planned = min(profile.tuning.bead_mm_s, profile.machine.speed_xy_mm_s)
    most = FLOW_LIMITED * most_flow_ul_s(bench)
    slowed = [
        walk.speed_mm_s
        for cycle, walk in zip(cycles.visits, cycles.walks, strict=True)
        if walk is not None and isinstance(cycle, BeadCycle)
        if walk.speed_mm_s < planned * (1 - 1e-9) and cycle.feed_ul >= most * cycle.travel_s
    ]
    if slowed:
        problems.append(
            Problem(
                what=f"{len(slowed)} of {len(beads)} beads are walked slower than {planned:g} mm/s, down to"
                f" {min(slowed):.3g} mm/s, since the plunger cannot press more flow through this tip",
                mend="A wider or shorter tip, a faster push or more force would do.",
                severity=Severity.WARNING,
            )
        )
    return problems


def _pushes(cycles: Cycles, bench: PlungerBench) -> list[Problem]:
    problems = []
    if bench.push_ul_s < bench.wanted_push_ul_s * (1 - 1e-9):
        problems.append(
            Problem(
                what=f"push_ul_s is {bench.wanted_push_ul_s:g}; the drive's {bench.speed_mm_s:g} mm/s give"
                f" {bench.push_ul_s:.3g} µL/s, which is used",
                mend="Lower push_ul_s in [tuning] to that, or correct speed_mm_s in [plunger].",
                severity=Severity.WARNING,
            )
        )
    dots = [cycle for cycle in cycles.visits if isinstance(cycle, DotCycle)]
    slowed = [dot.push_ul_s for dot in dots if dot.push_ul_s < bench.push_ul_s * (1 - 1e-6)]
    if slowed:
        problems.append(
            Problem(
                what=f"{len(slowed)} of {len(dots)} dots are pushed slower than {bench.push_ul_s:.3g} µL/s, down to"
                f" {min(slowed):.3g} µL/s, to keep the pressure below {bench.limit_kpa:.0f} kPa, which motor and"
                " barrel stand",
                mend="A wider or shorter tip, a longer dwell, more gear or a stronger motor would save time.",
                severity=Severity.WARNING,
            )
        )
    return problems
