"""A folder, zip or file to `Board`: find the layers of one side, read each, and gather what is wrong.

Every layer is read before anything is raised, so that one run shows all that is to be mended.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from pastewright.board.artwork import DrillFile, GerberLayer
from pastewright.board.drawn.drawing import Ask
from pastewright.board.drill.excellon import read_excellon
from pastewright.board.drill.gerber_drills import drills_of_gerber
from pastewright.board.gerber.read import read_gerber
from pastewright.board.model import Board, LayerRole, LayerUse, Side
from pastewright.board.pads.assemble import Layers, assemble
from pastewright.board.parts.centroid import PartPlace, read_centroids
from pastewright.board.parts.ipc356 import NetPoint, read_ipc356
from pastewright.board.roles.recognise import Recognised, recognise
from pastewright.board.source.files import inputs_sha256, read_source
from pastewright.board.source.sniff import FileKind
from pastewright.board.sources import other_source
from pastewright.problems import InputError, Problem, Severity, one_error

T = TypeVar("T")

_PASTE = {Side.TOP: LayerRole.TOP_PASTE, Side.BOTTOM: LayerRole.BOTTOM_PASTE}
_COPPER = {Side.TOP: LayerRole.TOP_COPPER, Side.BOTTOM: LayerRole.BOTTOM_COPPER}
_MASK = {Side.TOP: LayerRole.TOP_MASK, Side.BOTTOM: LayerRole.BOTTOM_MASK}
_NO_ROLES: Mapping[str, LayerRole] = MappingProxyType({})


@dataclass(slots=True)
class _Gathered:
    """What is wrong so far; errors stop the reading only at its end."""

    problems: list[Problem] = field(default_factory=list)
    failed: bool = False

    def tried(self, read: Callable[[], T]) -> T | None:
        """Return what `read` returns, or None with its problems gathered."""
        try:
            return read()
        except InputError as error:
            self.problems.extend(error.problems)
            self.failed = True
            return None


def read_board(
    path: Path,
    *,
    side: Side,
    overrides: Mapping[str, LayerRole] = _NO_ROLES,
    name: str | None = None,
    shrink_mm: float = 0.0,
    units: str = "",
    columns: str = "",
) -> Board:
    """Return one side of the board whose fabrication files are in the folder, zip or file `path`.

    Gerber sets are read here, everything else by its reader (`sources`). `overrides` maps file names, or layers
    within a drawing, to roles; `name` defaults to that of the folder or zip; `shrink_mm` is taken off each edge
    of exposed copper when there is no paste layer; `units` and `columns` speak for drawings and tables that do
    not say. Raises `InputError` with the problems of all layers at once.
    """
    files = read_source(path)
    other = other_source(files, overrides)
    if other is not None:
        file, reader = other
        named = {name for each in files for name in (each.name, each.base_name)}
        ask = Ask(
            side=side,
            name=name if name is not None else _name(path),
            inputs_sha256=inputs_sha256(files),
            units=units,
            columns=columns,
            roles={key: role for key, role in overrides.items() if key not in named},
            shrink_mm=shrink_mm,
        )
        return reader.read(file, ask)
    found = recognise(files, overrides)
    gathered = _Gathered()
    one = _Roles(found=found, gathered=gathered)
    paste, copper, mask = one.gerber(_PASTE[side]), one.gerber(_COPPER[side]), one.gerber(_MASK[side])
    outline = one.gerber(LayerRole.OUTLINE)
    drills = one.drills()
    net_points, net_file = one.net_points(side)
    parts, parts_file = one.parts(side, units)
    for each in found:
        gathered.problems.extend(each.problems)
    if gathered.failed:
        raise InputError(gathered.problems)
    if paste is None and copper is None and mask is None:
        raise _nothing_found(found, side, path)
    layers = Layers(
        name=name if name is not None else _name(path),
        side=side,
        paste=paste,
        copper=copper,
        mask=mask,
        outline=outline,
        drills=drills,
        net_points=net_points,
        net_file=net_file,
        parts=parts,
        parts_file=parts_file,
        uses=tuple(_use(each, one.used) for each in found),
        inputs_sha256=inputs_sha256(files),
    )
    board = gathered.tried(partial(assemble, layers, shrink_mm=shrink_mm))
    if board is None:
        raise InputError(gathered.problems)
    return replace(board, problems=(*gathered.problems, *board.problems))


def _name(path: Path) -> str:
    resolved = path.resolve()
    return resolved.stem if resolved.is_file() else resolved.name


@dataclass(slots=True)
class _Roles:
    """The recognised files by role, read on demand; `used` remembers the names of those that were."""

    found: Sequence[Recognised]
    gathered: _Gathered
    used: set[str] = field(default_factory=set)

    def of(self, role: LayerRole) -> list[Recognised]:
        return [each for each in self.found if each.role is role]

    def gerber(self, role: LayerRole) -> GerberLayer | None:
        """Return the layer of `role`; files of one role that are equally well known are laid together."""
        layers: list[GerberLayer] = []
        for each in self.of(role):
            file = each.file.name
            layer = self.gathered.tried(partial(read_gerber, each.file.data, file))
            if layer is not None:
                self.used.add(file)
                self.gathered.problems.extend(layer.problems)
                layers.append(layer)
        if not layers:
            return None
        if len(layers) > 1 and role in (*_PASTE.values(), *_COPPER.values(), *_MASK.values()):
            self.gathered.failed = True
            names = " and ".join(layer.file for layer in layers)
            what = f"{len(layers)} files claim to be the {role.value} layer: {names}"
            mend = "Say which file is which layer on the command line; give the others the role 'other'."
            self.gathered.problems.append(Problem(what=what, mend=mend, file=layers[0].file))
        return replace(layers[0], objects=tuple(thing for layer in layers for thing in layer.objects))

    def drills(self) -> tuple[DrillFile, ...]:
        companions = tuple(each.file for each in self.found if each.role is LayerRole.OTHER)
        files: list[DrillFile] = []
        for each in self.of(LayerRole.DRILL):
            file = each.file.name
            read = (
                partial(_gerber_drills, each.file.data, file)
                if each.kind is FileKind.GERBER
                else partial(read_excellon, each.file.data, file, companions=companions)
            )
            drill = self.gathered.tried(read)
            if drill is not None:
                self.used.add(file)
                self.gathered.problems.extend(drill.problems)
                files.append(drill)
        return tuple(files)

    def net_points(self, side: Side) -> tuple[tuple[NetPoint, ...], str]:
        """Return the netlist points of this side. A bad netlist only costs names, so it is a warning."""
        points: list[NetPoint] = []
        files: list[str] = []
        for each in self.of(LayerRole.NETLIST):
            try:
                netlist = read_ipc356(each.file.data, each.file.name)
            except InputError as error:
                self.gathered.problems.extend(
                    replace(problem, severity=Severity.WARNING) for problem in error.problems
                )
                continue
            self.gathered.problems.extend(netlist.problems)
            points.extend(point for point in netlist if point.side in (side, None) and not point.midpoint)
            self.used.add(each.file.name)
            files.append(each.file.name)
        return tuple(points), ", ".join(files)

    def parts(self, side: Side, units: str) -> tuple[tuple[PartPlace, ...], str]:
        """Return the parts of this side. A bad centroid file only costs names, so it is a warning."""
        parts: list[PartPlace] = []
        files: list[str] = []
        for each in self.of(LayerRole.CENTROID):
            if each.note:
                continue
            try:
                centroids = read_centroids(each.file.data, each.file.name, units=units)
            except InputError as error:
                self.gathered.problems.extend(
                    replace(problem, severity=Severity.WARNING) for problem in error.problems
                )
                continue
            known = {part.ref for part in parts}
            if parts and 2 * sum(part.ref in known for part in centroids.parts) > len(known):
                what = f"lists the same parts as {files[0]}; it is not used"
                self.gathered.problems.append(Problem(what=what, severity=Severity.NOTE, file=each.file.name))
                continue
            self.gathered.problems.extend(centroids.problems)
            parts.extend(part for part in centroids.parts if part.side in (side, None))
            self.used.add(each.file.name)
            files.append(each.file.name)
        return tuple(parts), ", ".join(files)


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


def _nothing_found(found: Sequence[Recognised], side: Side, path: Path) -> InputError:
    seen = ", ".join(f"{each.file.name} ({each.role.value})" for each in found[:8])
    more = f" and {len(found) - 8} more" if len(found) > 8 else ""
    packed = [each.file.name for each in found if each.file.data.startswith(b"PK\x03\x04")]
    inside = (
        f" Is the board in {packed[0]}? Unpack it first: zips inside a zip are not opened." if packed else ""
    )
    return one_error(
        f"no paste, copper or mask layer of the {side.value} side among: {seen}{more}",
        f"Export the {side.value} paste, copper and mask layers, or say which files they are with --layer.{inside}",
        file=path.name,
    )
