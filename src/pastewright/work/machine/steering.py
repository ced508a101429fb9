"""The machine moved by keys: one bounded step a press, nothing queued, any other key stops.

arrows        X and Y             1 2 3 4   size of a step: 0.01, 0.1, 1, 10 mm
PgUp PgDn     Z (also u, d)       Enter     here
f b           plunger             q         leave
"""

from rich.markup import escape

from pastewright.counting import clock_words
from pastewright.hands.guide import GivenUpError, Steer
from pastewright.hands.jog import SIZES_MM, JogHalt, JogStep, pressed, speeds_of, stepped, typed_steps
from pastewright.hands.moves import PLUNGER, Go, Spot, length_mm, pushes_s
from pastewright.hands.reach import SAME_MM
from pastewright.link.events import Trouble
from pastewright.link.hand import Hand
from pastewright.link.owner import MachineError
from pastewright.work.keys import Terminal
from pastewright.work.printing.console import out as console

STEPS = {
    "right": ("X", 1),
    "left": ("X", -1),
    "up": ("Y", 1),
    "down": ("Y", -1),
    "page up": ("Z", 1),
    "page down": ("Z", -1),
    "u": ("Z", 1),
    "d": ("Z", -1),
    "f": (PLUNGER, 1),
    "b": (PLUNGER, -1),
}
SIZE_KEYS = {str(at): size for at, size in enumerate(SIZES_MM, start=1)}
FIRST_SIZE_MM = 0.1
HERE, LEAVE = ("enter",), ("q", "escape")
WORDS = {"XYZ": "arrows X and Y, PgUp PgDn or u d Z", "P": "f plunger forward, b back"}
LONG_S = 2.0
"""A step that lasts longer is shown under way, or a person believes that the key was not taken (own choice)."""
CLEAR = "\r\x1b[2K"


def steer(request: Steer, hand: Hand, terminal: Terminal) -> Spot:
    """Let the person move along the request's axes until they confirm; returns where the tip is.

    Raises `GivenUpError` where they leave instead.
    """
    console.print(escape(request.question))
    if not terminal.is_there:
        return _by_lines(request, hand, terminal)
    parts = [words for axes, words in WORDS.items() if set(axes) <= set(request.axes)]
    sizes = " ".join(f"{size:g}" for size in SIZES_MM)
    console.print(f"[dim]{'; '.join(parts)}; {' '.join(SIZE_KEYS)} a step of {sizes} mm[/]")
    console.print("[dim]Enter: here; q: leave; any other key: nothing, and what moves stops[/]")
    size_mm, about = FIRST_SIZE_MM, ""
    while True:
        _show(hand, size_mm, about, request)
        key = terminal.key()
        if key in HERE:
            print()
            return hand.at
        if key in LEAVE:
            print()
            raise GivenUpError("left without confirming")
        if key in SIZE_KEYS:
            size_mm, about = SIZE_KEYS[key], ""
        elif key in STEPS and STEPS[key][0] in request.axes:
            axis, sign = STEPS[key]
            step = JogStep(axis=axis, by_mm=sign * size_mm)
            about = _stepped(step, key, hand, terminal, touching=request.touching)
        else:
            about = "no such key: nothing moves"


def _stepped(step: JogStep, key: str, hand: Hand, terminal: Terminal, *, touching: bool) -> str:
    """Carry out one press; returns what there is to say about it. Another key than `key` ends the motion."""
    move = pressed(
        step, hand.at, hand.reach(touching=touching), speeds_of(hand.profile), pushed_mm=hand.pushed_mm
    )
    if isinstance(move, JogHalt):
        return move.words
    here = hand.at
    lasts_s = length_mm(here, move) / move.speed_mm_s if isinstance(move, Go) else pushes_s([move])
    if lasts_s > LONG_S:
        print(f"{CLEAR}  on its way, {clock_words(lasts_s)}; another key stops it", end="", flush=True)
    before, hand.stop = hand.stop, lambda: any(other != key for other in terminal.pressed())
    try:
        hand.go([move], touching=touching)
        terminal.pressed()  # what was pressed meanwhile is not worked off later
    except MachineError as error:
        if error.trouble is not Trouble.STOPPED:
            raise
        return "stopped"
    finally:
        hand.stop = before
    shorter = isinstance(move, Go) and length_mm(here, move) < abs(step.by_mm) - SAME_MM
    return "a shorter step: near the board, or at an end" if shorter else ""


def _by_lines(request: Steer, hand: Hand, terminal: Terminal) -> Spot:
    """Take steps as words, a line at a time, until the line "ok"."""
    while True:
        line = terminal.line("steps, or ok: ")
        if line == "ok":
            return hand.at
        if line in ("q", "leave"):
            raise GivenUpError("left without confirming")
        steps = typed_steps(line.split())
        reach = hand.reach(touching=request.touching)
        hand.go(stepped(steps, hand.at, reach, speeds_of(hand.profile)), touching=request.touching)
        console.print(f"  {hand.at.words}")


def _show(hand: Hand, size_mm: float, about: str, request: Steer) -> None:
    plunger = f"  plunger {hand.pushed_mm:+.2f}" if PLUNGER in request.axes else ""
    line = f"  {hand.at.words}{plunger}   step {size_mm:g} mm   {about}"
    print(f"{CLEAR}{line[: max(console.width - 1, 40)]}", end="", flush=True)
