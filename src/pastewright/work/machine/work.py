"""What a person does at the machine, each as one function of a session."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from pathlib import Path

from rich.markup import escape

from pastewright.board.model import Point
from pastewright.hands.barrels import load, purge, relieved, unload
from pastewright.hands.guide import Steer
from pastewright.hands.jog import speeds_of, stepped, typed_steps
from pastewright.hands.measuring import (
    measure_backlash,
    measure_camera,
    measure_offset,
    measure_plunger,
    measure_plunger_by_scale,
    measure_stiffness,
)
from pastewright.hands.moves import Move
from pastewright.hands.places import NamedPlace, bench_places, find_place, plan_places
from pastewright.hands.reach import Reach
from pastewright.hands.touching import touch_off_by_paper, touch_off_by_probe
from pastewright.hands.travel import lifted, to_place
from pastewright.motion.around import Blocked
from pastewright.problems import one_error
from pastewright.work.machine.paste import NO_ACCOUNT, Account
from pastewright.work.machine.session import Session, tried
from pastewright.work.machine.steering import steer
from pastewright.work.printing.console import out as console

Work = Callable[[Session], None]

MEASURES: Mapping[tuple[str, str], Work] = {
    ("plunger", ""): lambda at: _play(at, measure_plunger(at.profile)),
    ("plunger", "caliper"): lambda at: _play(at, measure_plunger(at.profile)),
    ("plunger", "scale"): lambda at: _play(at, measure_plunger_by_scale(at.profile)),
    ("backlash", ""): lambda at: _play(at, measure_backlash(at.profile)),
    ("stiffness", ""): lambda at: _play(at, measure_stiffness(at.profile)),
    ("stiffness", "scale"): lambda at: _play(at, measure_stiffness(at.profile)),
    ("stiffness", "current"): lambda at: _play(at, measure_stiffness(at.profile, by_current=True)),
    ("camera", ""): lambda at: _play(at, measure_camera(at.profile, at.hand.at, at.hand.reach())),
    ("camera-offset", ""): lambda at: _play(at, measure_offset(at.profile, at.hand.at, at.hand.reach())),
}
"""What can be measured, and with what: the first of each without a name is the usual way."""


def _play(session: Session, guide: object) -> None:
    session.play(guide)  # type: ignore[arg-type]


def state(session: Session) -> None:
    """Say how the machine stands."""
    hand = session.hand
    stand = hand.look()
    owner = hand.owner
    # A printer controller's name is followed by all that it can do.
    name = owner.words.removeprefix("FIRMWARE_NAME:").split(" PROTOCOL_VERSION")[0] or str(owner.protocol)
    console.print(f"[bold]{escape(name)}[/] at {escape(owner.port.name)}: {stand.state}")
    console.print(f"  program   {stand.words}")
    if stand.machine:
        axes = ", ".join(f"{axis} {stand.machine[axis]:.2f}" for axis in "XYZ" if axis in stand.machine)
        console.print(f"  machine   {axes}")
    known = "[green]known[/]" if stand.known else "[yellow]not known[/]"
    console.print(f"  place     {known}: {escape(stand.why)}")
    reach = hand.reach()
    limits = ", ".join(
        f"{axis} {low:g} to {high:g}" for axis in "XYZ" for low, high in [reach.range_mm(axis)]
    )
    console.print(f"  by hand   {limits} mm; travels at Z {reach.travel_z_mm:g}")


def jogged(words: Sequence[str], account: Account = NO_ACCOUNT) -> Work:
    """Return the work of typed steps, or of keys where there are none."""
    steps = typed_steps(words)

    def work(session: Session) -> None:
        hand = session.hand
        with account.counting(session, "by hand"):
            moved(session)
        console.print(f"  {hand.at.words}")

    def moved(session: Session) -> None:
        hand = session.hand
        if words:
            hand.go(stepped(steps, hand.at, hand.reach(), speeds_of(hand.profile)))
        else:
            steer(
                Steer(question="Moving by keys. Keep the other hand off the machine.", axes="XYZP"),
                hand,
                session.terminal,
            )

    return work


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What a plan tells of the bench for a hand: places by name, and what stands there; without a plan the bench's alone."""

    places: Mapping[str, NamedPlace]
    travel_z_mm: float = -inf
    blocked: tuple[Blocked, ...] = ()

    def reach(self, session: Session) -> Reach:
        """Return the reach of the hand, with the height of ways that the plan's boards and zones ask for."""
        reach = session.hand.reach()
        return replace(reach, travel_z_mm=max(reach.travel_z_mm, self.travel_z_mm))

    def way(self, session: Session, to_mm: Point, down_to_mm: float | None = None) -> tuple[Move, ...]:
        """Return the moves over a place, round what stands higher than the tip travels, and down to a height.

        Raises `InputError` where no way leads there, or the tip would go down into what stands there.
        """
        at, profile, reach = session.hand.at, session.profile, self.reach(session)
        if not self.blocked:
            return to_place(to_mm, at, reach, profile, down_to_mm=down_to_mm)
        from pastewright.motion.around import way_round

        high_mm = max(at.z_mm, reach.travel_z_mm)
        by_mm = way_round((at.x_mm, at.y_mm), to_mm, high_mm, self.blocked, profile)
        if down_to_mm is not None:
            way_round(to_mm, to_mm, down_to_mm, self.blocked, profile)
        return to_place(to_mm, at, reach, profile, by_mm=by_mm, down_to_mm=down_to_mm)


def around(session: Session, plan: Path | None) -> Around:
    """Return what is known of the bench, and of a plan where one is given."""
    places = bench_places(session.profile.bed)
    if plan is None:
        return Around(places=places)
    from pastewright.plan.again import placements_of_plan
    from pastewright.plan.jobs import blocked_by
    from pastewright.records.plan import read_plan

    record = read_plan(plan)
    zones = record.placement.zones
    return Around(
        places=places | plan_places(record, file=str(plan)),
        travel_z_mm=record.placement.travel_z_mm,
        blocked=blocked_by(zones, placements_of_plan(record), record.board.size_mm) if zones else (),
    )


def gone_to(place: str, plan: Path | None, above_mm: float | None) -> Work:
    """Return the work of going to a place, and down to `above_mm` above the surface there."""

    def work(session: Session) -> None:
        hand, there = session.hand, around(session, plan)
        named = find_place(place, there.places)
        down_to_mm = None
        if above_mm is not None:
            surface = session.profile.bed.board_z_mm if named.surface_z_mm is None else named.surface_z_mm
            down_to_mm = surface + above_mm
        hand.go(there.way(session, named.at_mm, down_to_mm))
        console.print(f"  {escape(named.name)}: {hand.at.words}")

    return work


def parked(session: Session, plan: Path | None) -> Reach:
    """Go where programs park, a plan's own place where one is given; returns the reach of what follows."""
    there = around(session, plan)
    session.hand.go(there.way(session, there.places["park"].at_mm))
    return there.reach(session)


def touched_off(by: str, at: str | None, plan: Path | None) -> Work:
    """Return the work of touching off, by paper or by a probe, at a place or where the tip is."""
    if by not in ("paper", "probe"):
        raise one_error(f"--by {by!r} is not known", "Say paper or probe.")

    def work(session: Session) -> None:
        if at is not None:
            gone_to(at, plan, None)(session)
        if by == "paper":
            session.play(touch_off_by_paper(session.profile))
        else:
            session.play(touch_off_by_probe(session.profile, session.hand.at))

    return work


FED = "load, given up"


def loaded(account: Account, plan: Path | None = None) -> Work:
    """Return the work of putting a barrel in; what was fed is entered in its account."""

    def work(session: Session) -> None:
        hand = session.hand
        with account.opened():  # a name that is not there is told before anything moves
            pass
        reach = parked(session, plan)
        account.watch(session)
        fed_ul = 0.0

        def fed(volume_ul: float) -> None:
            nonlocal fed_ul
            fed_ul += volume_ul

        try:
            session.play(load(hand.profile, hand.at, reach, fed))
        except BaseException:
            account.enter(FED, fed_ul)  # what comes after the relief that ends this stands behind it
            raise
        account.enter("load", fed_ul - hand.profile.run.relieve_ul)
        console.print(f"[green]loaded[/]: {fed_ul:.0f} µL fed until paste showed")

    return work


def unloaded(account: Account, plan: Path | None = None) -> Work:
    """Return the work of taking a barrel out."""

    def work(session: Session) -> None:
        hand = session.hand
        reach = parked(session, plan)
        account.watch(session)
        before_mm = hand.pushed_mm
        try:
            session.play(unload(hand.profile, hand.at, reach))
        except BaseException:
            # The barrel is in still: whatever draws back this far relieves, and takes nothing out of it.
            if hand.pushed_mm < before_mm:
                account.enter("relief", -hand.profile.run.relieve_ul)
            raise
        account.enter("unload", -hand.profile.run.relieve_ul)
        console.print("[green]unloaded[/]")

    return work


def purged(volume_ul: float, at: str | None, plan: Path | None, account: Account) -> Work:
    """Return the work of pressing waste out."""

    def work(session: Session) -> None:
        hand = session.hand
        there = around(session, plan)
        account.must_hold(session, volume_ul)
        if at is not None:
            hand.go(there.way(session, find_place(at, there.places).at_mm))
        with account.counting(session, "purge"):
            session.play(purge(hand.profile, hand.at, there.reach(session), volume_ul=volume_ul))
        console.print(f"[green]purged[/]: {volume_ul:g} µL")

    return work


def rested(account: Account) -> Work:
    """Return the work of taking the pressure off the paste."""

    def work(session: Session) -> None:
        with account.counting(session, "relief"):
            session.hand.go(relieved(session.profile))
        console.print(f"[green]relieved[/]: {session.profile.run.relieve_ul:g} µL back")

    return work


def measured(what: str, by: str, account: Account = NO_ACCOUNT) -> Work:
    """Return the work of measuring something in some way; paste that is weighed is entered in the account."""
    found = MEASURES.get((what, by))
    if found is None:
        ways = [f"{one} --by {way}" if way else one for one, way in MEASURES]
        raise one_error(
            f"{what}{' --by ' + by if by else ''} cannot be measured", f"There are: {', '.join(ways)}."
        )
    if (what, by) != ("plunger", "scale"):
        return found

    def weighed(session: Session) -> None:
        with account.counting(session, "weighed"):
            found(session)

    return weighed


HELP = """\
  state                 how the machine stands        home        home it
  jog                   move by keys                  x+0.1 z-1   steps in mm (p: the plunger)
  to PLACE [ABOVE]      over a place, and down        touch-off [paper|probe]
  load, unload          a barrel in and out           purge [UL], relieve
  measure WHAT [WAY]    plunger, backlash, stiffness, camera-offset
  quit                  leave; the tip is lifted\
"""


def stayed(plan: Path | None, account: Account) -> Work:
    """Return the work of one line after another on one connection, until "quit"."""

    def work(session: Session) -> None:
        console.print(f"[dim]{escape(HELP)}[/]")
        while True:
            words = session.terminal.line("machine> ").split()
            if not words:
                continue
            if words[0] in ("quit", "q", "exit"):
                break
            tried(session, lambda at, words=words: _line(words, plan, account)(at))  # type: ignore[misc]
        hand = session.hand
        if hand.owner.known and hand.moved:
            hand.go(
                lifted(hand.at, hand.profile, travel_z_mm=around(session, plan).reach(session).travel_z_mm)
            )

    return work


def _line(words: Sequence[str], plan: Path | None, account: Account) -> Work:
    """Return the work that a line asks for; raises `InputError` for one that asks for none."""
    first, rest = words[0], list(words[1:])
    simple: Mapping[str, Work] = {
        "state": state,
        "home": Session.home,
        "load": loaded(account, plan),
        "unload": unloaded(account, plan),
        "relieve": rested(account),
        "help": lambda _: console.print(escape(HELP)),
    }
    if first in simple and not rest:
        return simple[first]
    if first == "jog":
        return jogged(rest, account)
    if first == "to" and len(rest) in (1, 2):
        return gone_to(rest[0], plan, _number(rest[1]) if len(rest) == 2 else None)
    if first == "touch-off" and len(rest) <= 1:
        return touched_off(rest[0] if rest else "paper", None, plan)
    if first == "purge" and len(rest) <= 1:
        return purged(_number(rest[0]) if rest else PURGE_UL, None, plan, account)
    if first == "measure" and len(rest) in (1, 2):
        return measured(rest[0], rest[1] if len(rest) == 2 else "", account)
    if first[:1].lower() in "xyzp" and first[1:2] in ("+", "-"):
        return jogged(words, account)
    raise one_error(f"{' '.join(words)!r} is not known", "help lists what is.")


PURGE_UL = 10.0
"""Waste of a purge where nothing else is said: what a tip and its hub hold, and a little (from memory)."""


def _number(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        raise one_error(f"{word!r} is no number", "Write it with a point, such as 0.5.") from None
