"""The screens: one row each, in the order in which the page offers them.

`routes` names the Python module whose `routes(context)` gives the screen's routes below `/NAME/`; `script` the
JavaScript module in `front/` whose default export is the custom element that is the screen. docs/page.md says how one
is added.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """One screen: its name in addresses, its word on the page, what it is for, and its two modules."""

    name: str
    words: str
    about: str
    routes: str
    script: str


SCREENS = (
    Screen(
        name="start",
        words="Start",
        about="What lies in this folder, and what to do next.",
        routes="pastewright.page.start",
        script="start.js",
    ),
    Screen(
        name="board",
        words="Board",
        about="The board's files: what was read, what each is, and one side to look at.",
        routes="pastewright.page.board",
        script="board.js",
    ),
    Screen(
        name="plan",
        words="Plan",
        about="How much paste each pad gets, how it is laid, and what would change it.",
        routes="pastewright.page.plan",
        script="plan.js",
    ),
    Screen(
        name="bench",
        words="Bench",
        about="Machine, barrel, tip and paste: the profile, and what tuning taught.",
        routes="pastewright.page.bench",
        script="bench.js",
    ),
    Screen(
        name="tune",
        words="Tune",
        about="A sheet of dots, its photo, and the constants that explain it.",
        routes="pastewright.page.tune",
        script="tune.js",
    ),
    Screen(
        name="machine",
        words="Machine",
        about="Connect, home, jog, touch off, a barrel in and out.",
        routes="pastewright.page.machine",
        script="machine.js",
    ),
    Screen(
        name="run",
        words="Run",
        about="Send a program or a batch, watch it, and decide what is in doubt.",
        routes="pastewright.page.run",
        script="run.js",
    ),
    Screen(
        name="inspect",
        words="Inspect",
        about="Photos of a pasted board: what is wrong, what to wipe, and a touch-up.",
        routes="pastewright.page.inspect",
        script="inspect.js",
    ),
    Screen(
        name="records",
        words="Records",
        about="Runs, barrels, batches and boards, and their exports.",
        routes="pastewright.page.records",
        script="records.js",
    ),
)
