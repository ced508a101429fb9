"""An IPC-2581 file (revision B or C) to `Artwork`: paste, copper, mask, holes, names and profile of one side.

What comes of it are the same layers that Gerber files give, so that lands, kinds and names are settled by the same
code. The file itself is walked by `walk`.
"""

from collections.abc import Sequence

from msgspec import structs

from pastewright.board.artwork import Artwork, Drawn, DrillFile, Judging, Layer
from pastewright.board.ask import Ask
from pastewright.board.ipc2581.walk import DRILL, ROLES, FileWalk, PanelStep
from pastewright.board.model import LayerRole, LayerUse, Side
from pastewright.board.source.files import SourceFile
from pastewright.problems import InputError, Problem, Severity, one_error


def read_ipc2581(file: SourceFile, ask: Ask) -> Artwork:
    """Return what is drawn for one side in an IPC-2581 file; raises `InputError` with what is wrong with it."""
    walk = FileWalk(file)
    walk.read()
    return _artwork(walk, ask)


def _artwork(walk: FileWalk, ask: Ask) -> Artwork:
    if walk.problems:
        raise InputError(walk.problems)
    filled = [step for step in walk.steps if step.objects]
    if not filled:
        raise one_error(
            "no step of the file has pads on a paste, copper or mask layer",
            "Export it with its layer features (function mode FABRICATION or ASSEMBLY).",
            file=walk.file.name,
        )
    step = max(filled, key=lambda each: sum(len(things) for things in each.objects.values()))
    notes = _notes(walk, step, filled)
    side = ask.side
    index = 0 if side is Side.TOP else 1
    found: dict[LayerRole, Layer] = {}
    uses: list[LayerUse] = []
    for name, (function, layer_side) in walk.layers.items():
        roles = ROLES.get(function)
        role = (
            roles[0 if layer_side == "TOP" else 1]
            if roles and layer_side in ("TOP", "BOTTOM")
            else LayerRole.DRILL
            if function == DRILL
            else LayerRole.OTHER
        )
        things = step.objects.get(name, [])
        mine = (
            roles is not None
            and role is roles[index]
            and bool(things or function in ("SOLDERPASTE", "PASTEMASK"))
        )
        how = f"layerFunction {function}, side {layer_side}"
        uses.append(LayerUse(file=f"{walk.file.name}: {name}", role=role, how=how, used=mine))
        if mine:
            old = found.get(role)
            objects = (*(old.objects if old else ()), *(_netted(thing, step) for thing in things))
            found[role] = Layer(file=walk.file.name, attributes={}, objects=objects)
    paste_role, mask_role, copper_role = (
        ROLES[word][index] for word in ("SOLDERPASTE", "SOLDERMASK", "CONDUCTOR")
    )
    if step.profile:
        found[LayerRole.OUTLINE] = Layer(file=walk.file.name, attributes={}, objects=tuple(step.profile))
    if not {paste_role, copper_role, mask_role} & found.keys():
        raise one_error(
            f"has no paste, copper or mask layer of the {side} side",
            "Choose the other side with --side, or export those layers too.",
            file=walk.file.name,
        )
    drills = DrillFile(file=walk.file.name, drills=tuple(step.drills), plated=None, attributes={})
    return Artwork(
        what="IPC-2581 file",
        judging=Judging.BY_COPPER,
        layers=found,
        drillings=(drills,) if step.drills else (),
        uses=tuple(uses),
        problems=tuple(notes),
        file=walk.file.name,
    )


def _netted(thing: Drawn, step: PanelStep) -> Drawn:
    """Return a pad with the net that the logical nets name for its pin, where its set names none."""
    if "N" in thing.attributes or "P" not in thing.attributes:
        return thing
    ref, pin = thing.attributes["P"]
    net = step.pin_nets.get((ref, pin))
    if not net:
        return thing
    return structs.replace(thing, attributes={**thing.attributes, "N": (net,)})


def _notes(walk: FileWalk, step: PanelStep, filled: Sequence[PanelStep]) -> list[Problem]:
    def note(what: str, severity: Severity = Severity.NOTE) -> Problem:
        return Problem(what=what, severity=severity, file=walk.file.name)

    notes: list[Problem] = []
    repeated = sum(each.repeats.count(step.name) for each in walk.steps)
    if repeated:
        notes.append(note(f"the file holds a panel of {step.name!r}: one board of it is read"))
    if len(filled) > 1:
        names = ", ".join(repr(each.name) for each in filled)
        notes.append(
            note(
                f"several steps hold pads ({names}): {step.name!r}, the fullest, is read",
                Severity.WARNING,
            )
        )
    if walk.skipped:
        words = ", ".join(f"{count} {what}(s)" for what, count in walk.skipped.items())
        notes.append(note(f"left out: {words}"))
    notes.extend(note(words, Severity.WARNING) for words in walk.shapes.doubts)
    return notes
