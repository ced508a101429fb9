"""`python -m pastewright.virtual --protocol reprap --pty`: the pretend controller for clients outside."""

import argparse
import sys
from math import isfinite
from pathlib import Path

from pastewright.virtual.controller import PROTOCOLS, VirtualController
from pastewright.virtual.faults import Direction, Fault, FaultKind, Faults
from pastewright.virtual.pace import AXES
from pastewright.virtual.reach import GROUND_FORM, Ground, ground_of
from pastewright.virtual.serve import serve_pty
from pastewright.virtual.state import Manners

FAULT_FORM = "KIND@BYTE[:DIRECTION[:COUNT[:SECONDS]]]"
TRAVEL_FORM = "AXIS=LOW,HIGH"


def _fault(text: str) -> Fault:
    """Return the fault that is written KIND@BYTE[:DIRECTION[:COUNT[:SECONDS]]]."""
    kind, at, rest = text.partition("@")
    parts = rest.split(":")
    try:
        if not at or len(parts) > 4:
            raise ValueError
        return Fault(
            kind=FaultKind(kind),
            at_byte=int(parts[0]),
            direction=Direction(parts[1]) if len(parts) > 1 else Direction.TO_CONTROLLER,
            count=int(parts[2]) if len(parts) > 2 else 1,
            seconds=float(parts[3]) if len(parts) > 3 else 0.0,
        )
    except ValueError as bad:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not {FAULT_FORM}; kinds: {', '.join(FaultKind)}"
        ) from bad


def _numbers(text: str, counts: tuple[int, ...], form: str) -> list[float]:
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in counts or not all(isfinite(value) for value in numbers):
        raise argparse.ArgumentTypeError(f"{text!r} is not {form}")
    return numbers


def _travel(text: str) -> tuple[str, tuple[float, float]]:
    """Return the switches of an axis that are written AXIS=LOW,HIGH."""
    letter, _, rest = text.partition("=")
    low, high = _numbers(rest, (2,), TRAVEL_FORM)
    if letter not in AXES or low >= high:
        raise argparse.ArgumentTypeError(f"{text!r} is not {TRAVEL_FORM}")
    return letter, (low, high)


def _ground(text: str) -> Ground:
    try:
        return ground_of(text)
    except ValueError as bad:
        raise argparse.ArgumentTypeError(str(bad)) from bad


def _start(text: str) -> tuple[float, float, float]:
    x, y, z = _numbers(text, (3,), "X,Y,Z")
    return x, y, z


def _arguments() -> argparse.ArgumentParser:
    words = argparse.ArgumentParser(
        prog="python -m pastewright.virtual",
        description="A pretend controller on a pseudo-terminal, whose name is printed first.",
    )
    words.add_argument("--protocol", choices=tuple(PROTOCOLS), required=True)
    words.add_argument("--pty", action="store_true", help="serve on a pseudo-terminal (the only way so far)")
    words.add_argument(
        "--scale", type=float, default=1.0, help="host seconds per second of the machine; 0: no time"
    )
    words.add_argument("--seed", type=int, default=0, help="settles the random faults")
    words.add_argument("--fault", type=_fault, action="append", default=[], metavar=FAULT_FORM)
    words.add_argument(
        "--faults-every", type=float, metavar="BYTES", help="random faults, so far apart on average"
    )
    words.add_argument(
        "--record", type=Path, metavar="FILE", help="append every command carried out, as JSON lines"
    )
    words.add_argument("--keep-on-open", action="store_true", help="opening the terminal does not reset")
    words.add_argument("--advanced-ok", action="store_true", help="ok with line number and free places")
    words.add_argument(
        "--boot", type=float, default=0.1, metavar="SECONDS", help="from a reset to the greeting"
    )
    words.add_argument(
        "--greeting", default="", help="what the CNC controller says first, in place of its own"
    )
    words.add_argument(
        "--travel",
        type=_travel,
        action="append",
        default=[],
        metavar=TRAVEL_FORM,
        help="limit switches at these true places [mm]; repeat",
    )
    words.add_argument("--ground", type=_ground, metavar=GROUND_FORM, help="what a probe touches [mm]")
    words.add_argument(
        "--start", type=_start, default=(0.0, 0.0, 0.0), metavar="X,Y,Z", help="true place at power-on [mm]"
    )
    words.add_argument(
        "--junction",
        type=float,
        metavar="MM",
        help="run through corners with this deviation; without, every move ends at rest",
    )
    words.add_argument("--baud", type=int, default=0, help="a wire this slow (scaled); 0: bytes take no time")
    return words


def main() -> int:
    """Serve until stopped; returns the exit code."""
    words = _arguments()
    given = words.parse_args()
    if not given.pty:
        words.error("say --pty; there is no other way to reach it from outside so far")
    try:
        controller = VirtualController(
            given.protocol,
            scale=given.scale,
            faults=Faults(scripted=tuple(given.fault), mean_gap_bytes=given.faults_every),
            seed=given.seed,
            manners=Manners(
                advanced_ok=given.advanced_ok,
                boot_s=given.boot,
                baud=given.baud,
                greeting=given.greeting,
                travel=dict(given.travel),
                ground=given.ground,
                start_mm=given.start,
                junction_mm=given.junction,
            ),
        )
        serve_pty(
            controller,
            announce=lambda name: print(name, flush=True),
            record=given.record,
            reset_on_open=not given.keep_on_open,
        )
    except (ValueError, OSError) as bad:
        words.error(str(bad))
    return 0


if __name__ == "__main__":
    sys.exit(main())
