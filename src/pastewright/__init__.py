"""pastewright: fabrication files in, a verified solder-paste dispensing program out.

What a script needs is offered here, and loaded when it is first used, so that the import itself is quick::

    import pastewright as pw

    bench = pw.read_profile("bench.toml")
    plan = pw.make_plan(pw.read_board("gerbers.zip"), bench)
    pw.write_program(plan, "top.gcode")

`pastewright.scripting` has the functions; docs/scripting.md shows whole jobs.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from pastewright.version import __version__

if TYPE_CHECKING:
    from pastewright.board.model import Board, Pad, Side
    from pastewright.plan.pipeline import Plan
    from pastewright.problems import InputError, Problem
    from pastewright.profile.model import Profile
    from pastewright.program.model import Program
    from pastewright.readback.model import Finding, Verdict
    from pastewright.scripting import (
        TuningSheet,
        design_sheet,
        fit,
        make_plan,
        read_board,
        read_photos,
        read_profile,
        read_sheet,
        tuned,
        verify,
        write_plan,
        write_program,
        write_sheet,
    )
    from pastewright.tune.fit.fitted import Fitted
    from pastewright.tune.record.measurements import Measurements
    from pastewright.tune.sheet.model import Sheet

__all__ = [
    "Board",
    "Finding",
    "Fitted",
    "InputError",
    "Measurements",
    "Pad",
    "Plan",
    "Problem",
    "Profile",
    "Program",
    "Sheet",
    "Side",
    "TuningSheet",
    "Verdict",
    "__version__",
    "design_sheet",
    "fit",
    "make_plan",
    "read_board",
    "read_photos",
    "read_profile",
    "read_sheet",
    "tuned",
    "verify",
    "write_plan",
    "write_program",
    "write_sheet",
]

_VALUES = {
    "Board": "board.model",
    "Finding": "readback.model",
    "Fitted": "tune.fit.fitted",
    "InputError": "problems",
    "Measurements": "tune.record.measurements",
    "Pad": "board.model",
    "Plan": "plan.pipeline",
    "Problem": "problems",
    "Profile": "profile.model",
    "Program": "program.model",
    "Sheet": "tune.sheet.model",
    "Side": "board.model",
    "Verdict": "readback.model",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'pastewright' has no {name!r}; it has: {', '.join(__all__)}")
    return getattr(import_module(f"pastewright.{_VALUES.get(name, 'scripting')}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
