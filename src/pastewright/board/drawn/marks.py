"""Labels of a drawing's layers to marks: what is paste, fiducials, outline or holes on the asked side."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from pastewright.board.artwork import Judging
from pastewright.board.ask import Ask
from pastewright.board.drawn.things import Sketch, Thing
from pastewright.board.model import LayerRole, LayerUse, Side
from pastewright.board.roles.role_words import role_of_words, spaced
from pastewright.problems import InputError, one_error

_FIDUCIAL_WORDS = ("fid", "fids", "fiducial", "fiducials", "fidu")
_PASTE = {LayerRole.TOP_PASTE: Side.TOP, LayerRole.BOTTOM_PASTE: Side.BOTTOM}
_SIDED = {
    **_PASTE,
    LayerRole.TOP_COPPER: Side.TOP,
    LayerRole.BOTTOM_COPPER: Side.BOTTOM,
}


class Mark(StrEnum):
    """What a layer or a shape of a drawing is for."""

    PASTE = "paste"
    FIDUCIAL = "fiducials"
    OUTLINE = "outline"
    HOLES = "holes"
    IGNORED = "ignored"


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What each label is for; labels that are not there (tables have none) are paste. `uses` tells the person."""

    by_label: Mapping[str, Mark]
    uses: tuple[LayerUse, ...]

    def of(self, thing: Thing) -> Mark:
        """Return what a thing is for."""
        mark = self.by_label.get(thing.layer, Mark.PASTE)
        return Mark.FIDUCIAL if thing.fiducial and mark is Mark.PASTE else mark


def marks_of(sketch: Sketch, ask: Ask) -> Marks:
    """Return what each layer of the drawing is for on the asked side.

    Layers named for paste are the paste; without any, every layer that no name makes something else is.
    A drawing whose layers name no side shows the top. Raises `InputError` where the bottom is asked of such a one,
    or a layer that it does not have.
    """
    if sketch.judging is Judging.AS_LISTED:
        use = LayerUse(file=sketch.file, role=paste_role(ask.side), how=f"content: {sketch.what}", used=True)
        return Marks(by_label={}, uses=(use,))
    labels = list(dict.fromkeys(thing.layer for thing in sketch.things))
    roles = {label: _role(label, ask.roles) for label in labels}
    pasted = [label for label, role in roles.items() if role[0] in _PASTE]
    sides = {_SIDED[role] for role, _, _ in roles.values() if role in _SIDED}
    if not sides and ask.side is Side.BOTTOM:
        raise one_error(
            "the drawing names no side, and the bottom side was asked for",
            "Plan it as --side top: it is taken as seen from the pasted side; or draw the bottom as seen from"
            " the top, on a layer named bottom paste.",
            file=sketch.file,
        )
    chosen: dict[str, Mark] = {}
    uses: list[LayerUse] = []
    for label, (role, how, fiducial) in roles.items():
        mark = _mark(role, ask.side, fiducial=fiducial, by_name=bool(pasted))
        if mark is Mark.FIDUCIAL and _side_of(label) not in (None, ask.side):
            mark = Mark.IGNORED
        chosen[label] = mark
        shown = label or "without a layer"
        known = role if role is not LayerRole.OTHER or mark is not Mark.PASTE else paste_role(ask.side)
        note = "" if mark is Mark.PASTE else "ignored" if mark is Mark.IGNORED else f"taken as {mark.value}"
        uses.append(
            LayerUse(
                file=f"{sketch.file}: {shown}", role=known, how=how, used=mark is not Mark.IGNORED, note=note
            )
        )
    _check_asked(sketch.file, labels, ask)
    return Marks(by_label=chosen, uses=tuple(uses))


def _check_asked(file: str, labels: Sequence[str], ask: Ask) -> None:
    for name in ask.roles:
        if name not in labels and name != file:
            known_labels = ", ".join(repr(label) for label in labels if label) or "none"
            raise one_error(
                f"there is no layer {name!r} in the drawing", f"Its layers: {known_labels}.", file=file
            )


def paste_role(side: Side) -> LayerRole:
    """Return the role of the paste layer of a side."""
    return LayerRole.TOP_PASTE if side is Side.TOP else LayerRole.BOTTOM_PASTE


def nothing_marked(sketch: Sketch, ask: Ask, uses: Sequence[LayerUse]) -> InputError:
    """Return the error of a drawing on which nothing is paste."""
    layers = ", ".join(use.file.removeprefix(f"{sketch.file}: ") for use in uses)
    return one_error(
        f"nothing in this {sketch.what} is paste of the {ask.side} side",
        f"Say which layer is paste, e.g. --layer 'NAME={paste_role(ask.side).value}'. Layers seen: {layers or 'none'}.",
        file=sketch.file,
    )


def _role(label: str, given: Mapping[str, LayerRole]) -> tuple[LayerRole, str, bool]:
    """Return a layer's role, how it is known, and whether its name says fiducials."""
    if label in given:
        return given[label], "command line", False
    words = spaced(label)
    if any(word in _FIDUCIAL_WORDS for word in words.split()):
        return LayerRole.OTHER, f"layer name: {label}", True
    role, told = role_of_words(words, gerber=True)
    if told and role is None and told.split()[-1] in ("paste", "cream", "stencil"):
        return LayerRole.TOP_PASTE, f"layer name: {told}, no side said", False
    if told and role is None:
        return LayerRole.TOP_SILK, f"layer name: {told}", False  # no side said, and no paste either
    if told and role is LayerRole.OTHER:
        return LayerRole.TOP_SILK, f"layer name: {told}", False
    return role or LayerRole.OTHER, f"layer name: {told}" if told else "drawn", False


def _side_of(label: str) -> Side | None:
    role, _told = role_of_words(spaced(label) + " copper", gerber=True)
    return _SIDED.get(role) if role is not None else None


def _mark(role: LayerRole, side: Side, *, fiducial: bool, by_name: bool) -> Mark:
    if fiducial:
        return Mark.FIDUCIAL
    if role is LayerRole.OUTLINE:
        return Mark.OUTLINE
    if role is LayerRole.DRILL:
        return Mark.HOLES
    if role in _PASTE:
        return Mark.PASTE if _PASTE[role] is side else Mark.IGNORED
    if by_name:
        return Mark.IGNORED
    if role in _SIDED:
        # "top" and nothing else reads as copper; in a drawing without paste layers it is paste
        return Mark.PASTE if _SIDED[role] is side else Mark.IGNORED
    return Mark.PASTE if role is LayerRole.OTHER else Mark.IGNORED
