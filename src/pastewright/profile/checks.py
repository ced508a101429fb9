"""Values of a profile against each other: a list of small checks, each giving problems.

A check that needs a value which was wrong by itself says nothing: that value is reported already.

Longer than 400 lines because it is one list of small checks, each read alone.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import pairwise

from pastewright.materials.rules import (
    LEAST_TIP_RATIO,
    TipFit,
    smallest_bore_mm,
    smallest_tip,
    tip_fit,
    tip_ratio,
)
from pastewright.materials.tables import find_alloy, find_barrel, find_powder, find_screw, find_tip
from pastewright.problems import InputError, Problem
from pastewright.profile.covariance import covariance_problems
from pastewright.profile.rule_checks import rule_problems
from pastewright.profile.values import Table, Values, WrongValueError

# Axis words of NIST RS274/NGC (A B C, NISTIR 6556 section 3.3) and of interpreters with nine axes (U V W).
NGC_LETTERS = "ABCUVW"
# Words of printer controllers that mean something else: coordinates, codes, line, feed, dwell, spindle, tool.
TAKEN_LETTERS = "XYZGMNFPST"


def cross_checks(values: Values) -> list[Problem]:
    """Return everything wrong between the values of a file."""
    problems: list[Problem] = []
    for check in _CHECKS:
        try:
            problems.extend(check(values))
        except WrongValueError:
            continue
    return problems


def _axes_have_travel(values: Values) -> Iterator[Problem]:
    machine = values["machine"]
    for axis in "xyz":
        try:
            low, high = machine.number(f"{axis}_min_mm"), machine.number(f"{axis}_max_mm")
        except WrongValueError:
            continue
        if low >= high:
            yield values.problem(
                machine,
                f"{axis}_max_mm",
                f"machine.{axis}_max_mm is {high:g}, not above {axis}_min_mm {low:g}",
                "Give the lowest and the highest place the axis may go to.",
            )


def _places_are_within_travel(values: Values) -> Iterator[Problem]:
    bed = values["bed"]
    for axis in "xy":
        yield from _within(values, f"board_{axis}_mm", axis)
        yield from _within(values, f"strip_{axis}_mm", axis)
        yield from _within(values, f"park_{axis}_mm", axis)
    yield from _within(values, "board_z_mm", "z")
    try:
        start_mm = bed.maybe_number("strip_x_mm")
        if start_mm is None:
            return
        end_mm = start_mm + bed.number("strip_length_mm")
        high_mm = values["machine"].number("x_max_mm")
    except WrongValueError:
        return
    if start_mm <= high_mm < end_mm:
        yield values.problem(
            bed,
            "strip_length_mm",
            f"the settling strip ends at X {end_mm:g} mm, beyond machine.x_max_mm {high_mm:g}",
            f"Shorten strip_length_mm by {end_mm - high_mm:g} mm, or start the strip further left.",
        )


def _within(values: Values, name: str, axis: str) -> Iterator[Problem]:
    bed, machine = values["bed"], values["machine"]
    try:
        place, low, high = (
            bed.maybe_number(name),
            machine.number(f"{axis}_min_mm"),
            machine.number(f"{axis}_max_mm"),
        )
    except WrongValueError:
        return
    if place is not None and low < high and not low <= place <= high:
        yield values.problem(
            bed,
            name,
            f"bed.{name} is {place:g} mm, outside the travel of {axis.upper()}, {low:g} to {high:g} mm",
            f"Give a place within the travel, or mend machine.{axis}_min_mm and {axis}_max_mm.",
        )


def _travels_are_within_reach(values: Values) -> Iterator[Problem]:
    bed, machine = values["bed"], values["machine"]
    top_mm = bed.number("board_z_mm") + bed.number("clearance_mm")
    high_mm = machine.number("z_max_mm")
    if top_mm > high_mm >= bed.number("board_z_mm"):
        yield values.problem(
            bed,
            "clearance_mm",
            f"travels at Z {top_mm:g} mm (board_z_mm + clearance_mm) are above machine.z_max_mm {high_mm:g}",
            f"Lower clearance_mm by {top_mm - high_mm:g} mm, or mount the board lower.",
        )


def _clearance_is_above_the_standoff(values: Values) -> Iterator[Problem]:
    bore_mm = _bore_mm(values)
    standoff_mm = values["deposit"].number("standoff_bores") * bore_mm
    clearance_mm = values["bed"].number("clearance_mm")
    if clearance_mm < 2 * standoff_mm:
        yield values.problem(
            values["bed"],
            "clearance_mm",
            f"bed.clearance_mm is {clearance_mm:g}; a standoff of {standoff_mm:.3g} mm needs twice that at least",
            f"Raise clearance_mm to {2 * standoff_mm:.3g} mm or more, or lower deposit.standoff_bores.",
        )


def _places_are_pairs(values: Values) -> Iterator[Problem]:
    bed = values["bed"]
    for place in ("strip", "park"):
        names = f"{place}_x_mm", f"{place}_y_mm"
        x_mm, y_mm = (bed.maybe_number(name) for name in names)
        if (x_mm is None) != (y_mm is None):
            have, lack = names if y_mm is None else names[::-1]
            yield values.problem(
                bed, have, f"bed.{have} is given without {lack}", f"Add {lack}, or leave out both."
            )


def _plunger_letter_is_free(values: Values) -> Iterator[Problem]:
    plunger = values["plunger"]
    letter = plunger.text("letter")
    if len(letter) != 1 or not ("A" <= letter <= "Z"):
        close = letter.strip().upper()[:1]
        mend = f'Write letter = "{close}".' if "A" <= close <= "Z" else 'For example letter = "E".'
        yield values.problem(
            plunger, "letter", f"plunger.letter is {letter[:20]!r}; it must be one capital letter", mend
        )
        return
    if letter in TAKEN_LETTERS:
        yield values.problem(
            plunger,
            "letter",
            f"plunger.letter {letter} means something else in every program",
            f"Choose another letter than {', '.join(TAKEN_LETTERS)}; printers use E.",
        )
    elif values["controller"].text("dialect") == "ngc" and letter not in NGC_LETTERS:
        yield values.problem(
            plunger,
            "letter",
            f"plunger.letter {letter} is no axis of RS274/NGC",
            f'Choose one of {", ".join(NGC_LETTERS)}, or controller.dialect = "reprap".',
        )


def _sign_is_a_sign(values: Values) -> Iterator[Problem]:
    plunger = values["plunger"]
    if plunger.number("sign") == 0:
        yield values.problem(
            plunger, "sign", "plunger.sign is 0; it must be 1 or -1", "1: growing numbers push paste out."
        )


def _microsteps_are_a_power_of_two(values: Values) -> Iterator[Problem]:
    plunger = values["plunger"]
    count = int(plunger.number("microsteps"))
    if count & (count - 1):
        yield values.problem(
            plunger,
            "microsteps",
            f"plunger.microsteps is {count}; drivers divide a step by 1, 2, 4, … 256",
            f"Look at the driver's setting: {1 << (count.bit_length() - 1)} or {1 << count.bit_length()}?",
        )


def _dialect_can_say_it(values: Values) -> Iterator[Problem]:
    controller = values["controller"]
    dialect = controller.text("dialect")
    numbers, sums = controller.values.get("line_numbers"), controller.values.get("checksums")
    if sums and dialect == "ngc":
        yield values.problem(
            controller,
            "checksums",
            "RS274/NGC has no checksums",
            "Write checksums = false, or another dialect.",
        )
    elif sums and numbers is False:
        yield values.problem(
            controller,
            "checksums",
            "checksums need line numbers: the controller asks for a wrong line by its number",
            "Write line_numbers = true too.",
        )
    try:
        feed, mode = controller.text("bead_feed"), controller.text("plunger_mode")
    except WrongValueError:
        return
    if feed == "inverse-time" and dialect == "reprap":
        yield values.problem(
            controller,
            "bead_feed",
            "printer controllers do not know inverse-time feed (G93)",
            'Write bead_feed = "path".',
        )
    if mode == "relative" and dialect == "ngc":
        yield values.problem(
            controller,
            "plunger_mode",
            "in RS274/NGC, G91 makes every axis relative, not the plunger alone",
            'Write plunger_mode = "absolute".',
        )


def _screw_is_known(values: Values) -> Iterator[Problem]:
    plunger = values["plunger"]
    name, lead_mm = plunger.maybe_text("screw"), plunger.maybe_number("lead_mm")
    diameter_mm = plunger.maybe_number("pitch_diameter_mm")
    if name is not None:
        yield from _looked_up(values, plunger, "screw", lambda: find_screw(name))
        for other in ("lead_mm", "pitch_diameter_mm", "half_angle_deg"):
            if other in plunger.given:
                yield values.problem(
                    plunger,
                    other,
                    f"plunger.{other} is given beside screw",
                    "Keep screw, or lead_mm and its like.",
                )
    elif lead_mm is None or diameter_mm is None:
        lack = "pitch_diameter_mm" if lead_mm is not None else "screw"
        yield values.problem(
            plunger,
            "lead_mm",
            f"plunger.{lack} is missing",
            'Add screw = "M5" (or another of the table), or lead_mm and pitch_diameter_mm.',
        )


def _barrel_is_known(values: Values) -> Iterator[Problem]:
    barrel = values["barrel"]
    name = barrel.maybe_text("size")
    if name is not None:
        yield from _looked_up(values, barrel, "size", lambda: find_barrel(name))
        return
    lacking = [key for key in ("bore_mm", "capacity_ml") if barrel.maybe_number(key) is None]
    if lacking:
        yield values.problem(
            barrel,
            "size",
            f"barrel.{lacking[0] if len(lacking) == 1 else 'size'} is missing",
            'Add size = "3 mL" (or another of the table), or bore_mm and capacity_ml.',
        )


def _barrel_holds_its_fill(values: Values) -> Iterator[Problem]:
    barrel = values["barrel"]
    fill_ml, capacity_ml = barrel.maybe_number("fill_ml"), _capacity_ml(values)
    if fill_ml is not None and fill_ml > capacity_ml:
        yield values.problem(
            barrel,
            "fill_ml",
            f"barrel.fill_ml is {fill_ml:g}, more than the {capacity_ml:g} mL it holds",
            "Give the paste that is in it when a program starts.",
        )


def _tip_is_known(values: Values) -> Iterator[Problem]:
    tip = values["tip"]
    gauge = tip.maybe_number("gauge")
    if gauge is not None:
        yield from _looked_up(values, tip, "gauge", lambda: find_tip(int(gauge)))
        return
    lacking = [key for key in ("bore_mm", "outer_mm") if tip.maybe_number(key) is None]
    if lacking:
        yield values.problem(
            tip,
            "gauge",
            f"tip.{lacking[0] if len(lacking) == 1 else 'gauge'} is missing",
            "Add gauge = 22 (or another of the table), or bore_mm and outer_mm.",
        )


def _tip_has_a_wall(values: Values) -> Iterator[Problem]:
    tip = values["tip"]
    bore_mm, outer_mm = _bore_mm(values), tip.maybe_number("outer_mm")
    if outer_mm is None:
        outer_mm = find_tip(int(tip.number("gauge"))).outer_mm
    if bore_mm >= outer_mm:
        yield values.problem(
            tip,
            "bore_mm",
            f"the tip's bore of {bore_mm:g} mm is not smaller than its outer diameter of {outer_mm:g} mm",
            "Measure both.",
        )


def _tip_is_narrower_than_the_barrel(values: Values) -> Iterator[Problem]:
    bore_mm, barrel_mm = _bore_mm(values), _barrel_bore_mm(values)
    if bore_mm >= barrel_mm:
        yield values.problem(
            values["tip"],
            "bore_mm",
            f"the tip's bore of {bore_mm:g} mm is not smaller than the barrel's of {barrel_mm:g} mm",
            "Give both in mm.",
        )


def _powder_passes_the_tip(values: Values) -> Iterator[Problem]:
    powder = find_powder(int(values["paste"].number("powder_type")))
    bore_mm = _bore_mm(values)
    if tip_fit(bore_mm, powder) is not TipFit.CLOGS:
        return
    fitting = smallest_tip(powder)
    other = f"{fitting.gauge} gauge ({fitting.bore_mm:g} mm)" if fitting else "none of the table"
    yield values.problem(
        values["tip"],
        "bore_mm" if "bore_mm" in values["tip"].given else "gauge",
        f"type {powder.type} powder clogs this tip: a bore of {bore_mm:g} mm is {tip_ratio(bore_mm, powder):.1f} "
        f"times its largest particle, {LEAST_TIP_RATIO:g} are needed ({smallest_bore_mm(powder):.3f} mm)",
        f"Smallest tip for this powder: {other}. Or use a finer powder.",
    )


def _alloy_is_known(values: Values) -> Iterator[Problem]:
    name = values["paste"].text("alloy")
    yield from _looked_up(values, values["paste"], "alloy", lambda: find_alloy(name))


def _transfer_rises(values: Values) -> Iterator[Problem]:
    ratios = [ratio for ratio, _ in values["dose"].pairs("transfer_percent")]
    for before, after in pairwise(ratios):
        if after <= before:
            yield values.problem(
                values["dose"],
                "transfer_percent",
                f"dose.transfer_percent: area ratio {after:g} follows {before:g}; they must rise",
                "Sort the pairs by area ratio, each once.",
            )
            return


def _looked_up(values: Values, table: Table, name: str, look: Callable[[], object]) -> Iterator[Problem]:
    try:
        look()
    except InputError as error:
        at = values.problem(table, name, "", "")
        yield from (replace(problem, file=at.file, line=at.line) for problem in error.problems)


def _bore_mm(values: Values) -> float:
    tip = values["tip"]
    given = tip.maybe_number("bore_mm")
    return _known(lambda: find_tip(int(tip.number("gauge"))).bore_mm) if given is None else given


def _barrel_bore_mm(values: Values) -> float:
    barrel = values["barrel"]
    given = barrel.maybe_number("bore_mm")
    return _known(lambda: find_barrel(barrel.text("size")).bore_mm) if given is None else given


def _capacity_ml(values: Values) -> float:
    barrel = values["barrel"]
    given = barrel.maybe_number("capacity_ml")
    return _known(lambda: find_barrel(barrel.text("size")).capacity_ul / 1000) if given is None else given


def _known(look: Callable[[], float]) -> float:
    try:
        return look()
    except InputError:
        raise WrongValueError from None


_CHECKS: tuple[Callable[[Values], Iterable[Problem]], ...] = (
    _axes_have_travel,
    _places_are_within_travel,
    _travels_are_within_reach,
    _clearance_is_above_the_standoff,
    _places_are_pairs,
    _plunger_letter_is_free,
    _sign_is_a_sign,
    _microsteps_are_a_power_of_two,
    _dialect_can_say_it,
    _screw_is_known,
    _barrel_is_known,
    _barrel_holds_its_fill,
    _tip_is_known,
    _tip_has_a_wall,
    _tip_is_narrower_than_the_barrel,
    _powder_passes_the_tip,
    _alloy_is_known,
    _transfer_rises,
    rule_problems,
    covariance_problems,
)
