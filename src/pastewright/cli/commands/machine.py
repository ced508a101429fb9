"""`pastewright machine …`: the machine moved by hand, a barrel in and out, the bench measured."""

from pathlib import Path
from typing import Annotated

import typer

from pastewright.work.options import AtMachine, OfBarrel, PlanOption, ProfilePath

AtPlace = Annotated[
    str | None, typer.Option("--at", metavar="PLACE", help="Go over this place first [where the tip is].")
]


def state(*, profile: ProfilePath, machine: AtMachine) -> int:
    """Say how the machine stands, and whether its place is known; nothing moves."""
    from pastewright.work.machine import work
    from pastewright.work.machine.session import worked

    return worked(profile, machine.port, work.state, baud=machine.baud, home=machine.home, moves=machine.home)


def home(*, profile: ProfilePath, machine: AtMachine) -> int:
    """Home all axes, by the lines of [run] home."""
    from pastewright.work.machine.session import Session, worked

    return worked(profile, machine.port, Session.home, baud=machine.baud, moves=False)


def jog(
    steps: Annotated[
        list[str] | None,
        typer.Argument(metavar="[STEPS]", help="x+0.1 y-1 z+2 p+0.05 [mm; p: the plunger]; none: by keys."),
    ] = None,
    *,
    profile: ProfilePath,
    machine: AtMachine,
    barrel: OfBarrel,
) -> int:
    """Move the tip by keys, one bounded step a press, or by typed steps; never out of reach."""
    from pastewright.work.machine import work
    from pastewright.work.machine.paste import Account
    from pastewright.work.machine.session import worked

    return worked(
        profile, machine.port, work.jogged(steps or [], Account(barrel)), baud=machine.baud, home=machine.home
    )


def to(
    place: Annotated[str, typer.Argument(help="park, strip, LL, a fiducial (F1), a pad (U1-3), or X,Y.")],
    *,
    profile: ProfilePath,
    machine: AtMachine,
    plan: PlanOption = None,
    above_mm: Annotated[
        float | None,
        typer.Option("--above", min=0, help="Then down to this height above the surface [mm]."),
    ] = None,
) -> int:
    """Go over a place: up first, then across, then down if asked for."""
    from pastewright.work.machine import work
    from pastewright.work.machine.session import worked

    return worked(
        profile, machine.port, work.gone_to(place, plan, above_mm), baud=machine.baud, home=machine.home
    )


def touch_off(
    *,
    profile: ProfilePath,
    machine: AtMachine,
    by: Annotated[str, typer.Option("--by", help="paper, or probe: its contact.")] = "paper",
    at: AtPlace = None,
    plan: PlanOption = None,
) -> int:
    """Bring the tip onto the board and write its height into the profile (bed.board_z_mm)."""
    from pastewright.work.machine import work
    from pastewright.work.machine.session import worked

    return worked(profile, machine.port, work.touched_off(by, at, plan), baud=machine.baud, home=machine.home)


def load(*, profile: ProfilePath, machine: AtMachine, barrel: OfBarrel, plan: PlanOption = None) -> int:
    """Go to the parking place, put a barrel in, run the plunger up to the paste, and feed until paste shows."""
    from pastewright.work.machine import work
    from pastewright.work.machine.paste import Account
    from pastewright.work.machine.session import worked

    return worked(
        profile, machine.port, work.loaded(Account(barrel), plan), baud=machine.baud, home=machine.home
    )


def unload(*, profile: ProfilePath, machine: AtMachine, barrel: OfBarrel, plan: PlanOption = None) -> int:
    """Go to the parking place, relieve the paste, draw the plunger back, and take the barrel out."""
    from pastewright.work.machine import work
    from pastewright.work.machine.paste import Account
    from pastewright.work.machine.session import worked

    return worked(
        profile, machine.port, work.unloaded(Account(barrel), plan), baud=machine.baud, home=machine.home
    )


def purge(
    *,
    profile: ProfilePath,
    machine: AtMachine,
    barrel: OfBarrel,
    volume_ul: Annotated[float, typer.Option("--ul", min=0.1, max=1000, help="How much [µL].")] = 10.0,
    at: AtPlace = None,
    plan: PlanOption = None,
) -> int:
    """Press waste out of the tip, and relieve."""
    from pastewright.work.machine import work
    from pastewright.work.machine.paste import Account
    from pastewright.work.machine.session import worked

    return worked(
        profile,
        machine.port,
        work.purged(volume_ul, at, plan, Account(barrel)),
        baud=machine.baud,
        home=machine.home,
    )


def relieve(*, profile: ProfilePath, machine: AtMachine, barrel: OfBarrel) -> int:
    """Take the pressure off the paste: the plunger goes back by [run] relieve_ul."""
    from pastewright.work.machine import work
    from pastewright.work.machine.paste import Account
    from pastewright.work.machine.session import worked

    return worked(profile, machine.port, work.rested(Account(barrel)), baud=machine.baud, home=machine.home)


def measure(
    what: Annotated[str, typer.Argument(help="plunger, backlash, stiffness, camera or camera-offset.")],
    *,
    profile: ProfilePath,
    machine: AtMachine,
    barrel: OfBarrel,
    by: Annotated[
        str, typer.Option("--by", help="plunger: caliper or scale; stiffness: scale or current.")
    ] = "",
    camera: Annotated[str, typer.Option("--camera", help="For camera: number or name of the camera.")] = "",
    photo: Annotated[
        list[Path] | None, typer.Option("--photo", help="For camera: a picture in its place. Repeat.")
    ] = None,
) -> int:
    """Measure the bench with your help, and write the number into the profile."""
    from pastewright.work.machine import work
    from pastewright.work.machine.paste import Account
    from pastewright.work.machine.session import Eyes, Session, worked

    chosen = work.measured(what, by, Account(barrel))

    def looking(session: Session) -> None:
        session.eyes = Eyes(camera=camera, photos=tuple(photo or ()))
        chosen(session)

    return worked(profile, machine.port, looking, baud=machine.baud, home=machine.home)


def stay(*, profile: ProfilePath, machine: AtMachine, barrel: OfBarrel, plan: PlanOption = None) -> int:
    """Stay connected and take one line after another: a controller that starts anew is homed only once."""
    from pastewright.work.machine import work
    from pastewright.work.machine.paste import Account
    from pastewright.work.machine.session import worked

    return worked(
        profile,
        machine.port,
        work.stayed(plan, Account(barrel)),
        baud=machine.baud,
        home=machine.home,
        moves=machine.home,
    )
