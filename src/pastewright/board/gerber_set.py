"""A set of Gerber, drill, netlist and centroid files to `Artwork`: the layers of one side found and read.

Every layer is read before anything is raised, so that one run shows all that is to be mended.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TypeVar

from pastewright.board.artwork import Artwork, DrillFile, Judging, Layer, NetPoint, PartPlace
from pastewright.board.ask import Ask
from pastewright.board.drill.doubles import without_doubles
from pastewright.board.drill.excellon import read_excellon
from pastewright.board.drill.gerber_drills import drills_of_gerber
from pastewright.board.gerber.read import read_gerber
from pastewright.board.model import LayerRole, LayerUse, Side
from pastewright.board.parts.centroid import Centroids, read_centroids
from pastewright.board.parts.ipc356 import read_ipc356
from pastewright.board.roles.recognise import LAYERS, Recognised, recognise
from pastewright.board.roles.role_words import role_of_name
from pastewright.board.source.files import SourceFile, names_in_zip
from pastewright.board.source.sniff import FileKind
from pastewright.problems import InputError, Problem, Severity, one_error

T = TypeVar("T")

UNREAD_HOLES = (
    "its holes are not known: leads of through-hole pads, vias in pads and plating are judged without them"
)
UNREAD_NAMES = "it names nothing: pads that no other file names stay without part and pin, and no rule reaches them by name"
_DRILL_DRAWING = re.compile(r"drill", re.I)
"""Gerber files named so that are no drill layer draw the drills: a map, a guide, a table of tools."""

_SIDED = {
    Side.TOP: (LayerRole.TOP_PASTE, LayerRole.TOP_COPPER, LayerRole.TOP_MASK),
    Side.BOTTOM: (LayerRole.BOTTOM_PASTE, LayerRole.BOTTOM_COPPER, LayerRole.BOTTOM_MASK),
}


def read_gerber_set(files: Sequence[SourceFile], ask: Ask) -> Artwork:
    """Return what the files draw for the asked side.

    Raises `InputError` with the problems of all layers at once, or when there is no layer of that side.
    """
    found = recognise(files, ask.roles, name=ask.name)
    reading = _SetReading(found=found)
    layers = {role: layer for role in _SIDED[ask.side] if (layer := reading.layer(role)) is not None}
    sided = bool(layers)
    if not ask.cut_short:
        reading.refuse_cut_short(layers, _SIDED[ask.side])
    if (outline := reading.layer(LayerRole.OUTLINE)) is not None:
        layers[LayerRole.OUTLINE] = outline
    drillings = reading.drillings()
    points, points_file = reading.points(ask.side)
    parts, parts_file, unit_known = reading.parts(ask.side, ask.units)
    problems = [*reading.problems, *(problem for each in found for problem in each.problems)]
    if reading.failed:
        raise InputError(problems)
    if not sided:
        raise _nothing_found(found, ask.side)
    return Artwork(
        what="Gerber files",
        judging=Judging.BY_COPPER,
        layers=layers,
        others=() if outline is not None else reading.others(),
        drillings=drillings,
        points=points,
        points_file=points_file,
        parts=parts,
        parts_file=parts_file,
        parts_unit_known=unit_known,
        uses=tuple(_use(each, reading.used) for each in found),
        problems=tuple(problems),
    )


@dataclass(slots=True)
class _SetReading:
    """Reads recognised files by role; errors gather, and `used` remembers the names of the files that were read."""

    found: Sequence[Recognised]
    problems: list[Problem] = field(default_factory=list)
    failed: bool = False
    used: set[str] = field(default_factory=set)

    def _tried(self, read: Callable[[], T]) -> T | None:
        """Return what `read` returns, or None with its problems gathered."""
        try:
            return read()
        except InputError as error:
            self.problems.extend(error.problems)
            self.failed = True
            return None

    def _soft(self, error: InputError, file: str, unknown: str) -> None:
        """Warn of a file that cannot be read and that paste can be laid without, and of what is then unknown."""
        self.problems.extend(replace(problem, severity=Severity.WARNING) for problem in error.problems)
        self.problems.append(Problem(what=unknown, severity=Severity.WARNING, file=file))

    def _of(self, role: LayerRole) -> list[Recognised]:
        return [each for each in self.found if each.role is role]

    def layer(self, role: LayerRole) -> Layer | None:
        """Return the layer of `role`; files of one role that are equally well known are laid together."""
        layers: list[Layer] = []
        for each in self._of(role):
            file = each.file.name
            layer = self._tried(partial(read_gerber, each.file.data, file))
            if layer is not None:
                self.used.add(file)
                self.problems.extend(layer.problems)
                layers.append(layer)
        if not layers:
            return None
        if len(layers) > 1 and role is not LayerRole.OUTLINE:
            self.failed = True
            names = " and ".join(layer.file for layer in layers)
            what = f"{len(layers)} files claim to be the {role.value} layer: {names}"
            mend = "Say which file is which layer on the command line; give the others the role 'other'."
            self.problems.append(Problem(what=what, mend=mend, file=layers[0].file))
        return replace(layers[0], objects=tuple(thing for layer in layers for thing in layer.objects))

    def refuse_cut_short(self, layers: Mapping[LayerRole, Layer], sided: Sequence[LayerRole]) -> None:
        """Refuse a layer that may have been cut short where it says what is pasted: paste, else copper and mask."""
        paste, *beneath = sided
        for role in (paste,) if paste in layers else beneath:
            layer = layers.get(role)
            if layer is None or layer.whole or not layer.objects:
                continue
            self.failed = True
            what = f"the {role.value} layer ends without its end word (M02): pads may lack, and no one would notice"
            mend = "Export it again; if it is whole all the same, plan with --cut-short."
            self.problems.append(Problem(what=what, mend=mend, file=layer.file))

    def others(self) -> tuple[Layer, ...]:
        """Return films of which nothing is pasted, as far as they can be read: inner layers, drill drawings."""
        layers: list[Layer] = []
        for each in self.found:
            if each.kind is not FileKind.GERBER:
                continue
            drawing = each.role is LayerRole.OTHER and _DRILL_DRAWING.search(each.file.base_name)
            if each.role is LayerRole.INNER_COPPER or drawing:
                with suppress(InputError):
                    layers.append(read_gerber(each.file.data, each.file.name))
        return tuple(layers)

    def drillings(self) -> tuple[DrillFile, ...]:
        """Return all drill files."""
        beside = (LayerRole.OTHER, LayerRole.DRILL)
        companions = tuple(each.file for each in self.found if each.role in beside)
        files: list[DrillFile] = []
        for each in self._of(LayerRole.DRILL):
            file = each.file.name
            read = (
                partial(_gerber_drills, each.file.data, file)
                if each.kind is FileKind.GERBER
                else partial(read_excellon, each.file.data, file, companions=companions)
            )
            try:
                drill = read()
            except InputError as error:
                self._soft(error, file, UNREAD_HOLES)
                continue
            self.used.add(file)
            self.problems.extend(drill.problems)
            files.append(drill)
        kept, doubled = without_doubles(files)
        self.problems.extend(doubled)
        return kept

    def points(self, side: Side) -> tuple[tuple[NetPoint, ...], str]:
        """Return the netlist points of this side. A bad netlist only costs names, so it is a warning."""
        points: list[NetPoint] = []
        files: list[str] = []
        for each in self._of(LayerRole.NETLIST):
            try:
                netlist = read_ipc356(each.file.data, each.file.name)
            except InputError as error:
                self._soft(error, each.file.name, UNREAD_NAMES)
                continue
            self.problems.extend(netlist.problems)
            points.extend(point for point in netlist if point.side in (side, None))
            self.used.add(each.file.name)
            files.append(each.file.name)
        return tuple(points), ", ".join(files)

    def parts(self, side: Side, units: str) -> tuple[tuple[PartPlace, ...], str, bool]:
        """Return the parts of this side, and whether their unit is known. A bad centroid file only costs names.

        Of files that list the same parts one is used, before others one that states its unit.
        """
        read: list[tuple[str, Centroids]] = []
        for each in self._of(LayerRole.CENTROID):
            try:
                read.append((each.file.name, read_centroids(each.file.data, each.file.name, units=units)))
            except InputError as error:
                self._soft(error, each.file.name, UNREAD_NAMES)
        read.sort(key=lambda pair: not pair[1].unit_known)
        parts: list[PartPlace] = []
        files: list[str] = []
        known = True
        for file, centroids in read:
            refs = {part.ref for part in parts}
            if parts and 2 * sum(part.ref in refs for part in centroids.parts) > len(refs):
                what = f"lists the same parts as {files[0]}; it is not used"
                self.problems.append(Problem(what=what, severity=Severity.NOTE, file=file))
                continue
            if parts and known and not centroids.unit_known:
                what = f"states no unit, while {files[0]} does: it is not used"
                self.problems.append(Problem(what=what, severity=Severity.WARNING, file=file))
                continue
            known = centroids.unit_known
            self.problems.extend(centroids.problems)
            parts.extend(part for part in centroids.parts if part.side in (side, None))
            self.used.add(file)
            files.append(file)
        return tuple(parts), ", ".join(files), known


def _gerber_drills(data: bytes, file: str) -> DrillFile:
    layer = read_gerber(data, file)
    drills = drills_of_gerber(layer)
    return replace(drills, problems=(*layer.problems, *drills.problems))


def _use(each: Recognised, used: set[str]) -> LayerUse:
    name = each.file.name
    note = each.note
    if name not in used and not note:
        note = "not needed for this side"
    return LayerUse(file=name, role=each.role, how=each.how, used=name in used, note=note)


def _nothing_found(found: Sequence[Recognised], side: Side) -> InputError:
    seen = ", ".join(f"{each.file.name} ({each.role.value})" for each in found[:8])
    more = f" and {len(found) - 8} more" if len(found) > 8 else ""
    zips = _zips_of_boards(found)
    if zips:
        which = " or ".join(f"{file!r} ({', '.join(roles)})" for file, roles in zips.items())
        return one_error(
            f"the board is packed in a zip within: {which}",
            f"Give that zip itself, {next(iter(zips))!r}: zips inside a folder or a zip are not opened.",
        )
    return one_error(
        f"no paste, copper or mask layer of the {side.value} side among: {seen}{more}",
        f"Export the {side.value} paste, copper and mask layers, or say which files they are with --layer.",
    )


def _zips_of_boards(found: Sequence[Recognised]) -> dict[str, list[str]]:
    """Return the zips among the files whose contents are named like layers, with what these are."""
    zips: dict[str, list[str]] = {}
    for each in found:
        named = [
            role_of_name(name.rsplit("/", 1)[-1], gerber=True)[0] for name in names_in_zip(each.file.data)
        ]
        layers = sorted({role.value for role in named if role is not None and role in LAYERS})
        if layers:
            zips[each.file.name] = layers
    return zips
