"""An IPC-2581 file (revision B or C) to `Artwork`: paste, copper, mask, holes, names and profile of one side.

The file is walked once; only records that matter for pasting are kept. What comes of it are the same layers
that Gerber files give, so that lands, kinds and names are settled by the same code. Elements and
attributes after the published schema; primitives are turned into polygons by `primitives`.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from shapely.geometry import Polygon

from pastewright.board.artwork import Artwork, Drawn, DrawnKind, Drill, DrillFile, Judging, Layer
from pastewright.board.ask import Ask
from pastewright.board.ipc2581.primitives import (
    UNITS_MM,
    BadShapeError,
    Shapes,
    number,
    placed,
    polygon_points,
)
from pastewright.board.model import LayerRole, LayerUse, Side
from pastewright.board.shapes.curves import polygons_of
from pastewright.board.shapes.rings import TangledError
from pastewright.board.source.files import SourceFile
from pastewright.board.source.safe_xml import MOST_KEPT, Node, walk_xml
from pastewright.problems import InputError, Problem, Severity, one_error

MOST_PROBLEMS = 30
"""Records that are wrong, told one by one; more say no more."""
MOST_FEATURES = 100_000
"""Pads and features of one board; dense boards have under 30 000 openings (common practice)."""
_RECORDS = frozenset(
    {
        "EntryStandard",
        "EntryUser",
        "EntryLineDesc",
        "Layer",
        "PadStackDef",
        "PadStack",
        "Set",
        "Profile",
        "LogicalNet",
        "StepRepeat",
    }
)
_ROLES = {
    "SOLDERPASTE": (LayerRole.TOP_PASTE, LayerRole.BOTTOM_PASTE),
    "PASTEMASK": (LayerRole.TOP_PASTE, LayerRole.BOTTOM_PASTE),
    "SOLDERMASK": (LayerRole.TOP_MASK, LayerRole.BOTTOM_MASK),
    "CONDUCTOR": (LayerRole.TOP_COPPER, LayerRole.BOTTOM_COPPER),
    "SIGNAL": (LayerRole.TOP_COPPER, LayerRole.BOTTOM_COPPER),
    "MIXED": (LayerRole.TOP_COPPER, LayerRole.BOTTOM_COPPER),
    "PLANE": (LayerRole.TOP_COPPER, LayerRole.BOTTOM_COPPER),
}
_DRILL = "DRILL"
# padUsage of a Set, where it settles what a pad is; the X2 function that means the same.
_FUNCTION = {"VIA": "ViaPad", "FIDUCIAL": "FiducialPad", "GLOBAL_FIDUCIAL": "FiducialPad"}
_FUNCTION |= {"LOCAL_FIDUCIAL": "FiducialPad", "TOOLING_HOLE": "WasherPad"}
_PLATED = {"PLATED": True, "VIA": True, "NONPLATED": False}
_FIDUCIALS = frozenset({"Fiducial", "GlobalFiducial", "LocalFiducial"})


@dataclass(slots=True)
class _Step:
    """What one step (a board, or a panel of it) holds."""

    name: str
    objects: dict[str, list[Drawn]] = field(default_factory=lambda: defaultdict(list))
    drills: list[Drill] = field(default_factory=list)
    profile: list[Drawn] = field(default_factory=list)
    pin_nets: dict[tuple[str, str], str] = field(default_factory=dict)
    repeats: list[str] = field(default_factory=list)
    padstacks: dict[str, dict[str, Node]] = field(default_factory=dict)


def read_ipc2581(file: SourceFile, ask: Ask) -> Artwork:
    """Return what is drawn for one side in an IPC-2581 file; raises `InputError` with what is wrong with it."""
    reader = _Reader(file)
    reader.read()
    return reader.artwork(ask)


class _Reader:
    """Walks the file once."""

    def __init__(self, file: SourceFile) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.steps: list[_Step] = []
        self.layers: dict[str, tuple[str, str]] = {}
        self.negative: set[str] = set()
        self.shapes = Shapes()
        self.revision = ""
        self._units: list[float | None] = []
        self._stack: list[Node] = []
        self._layer_feature = ""
        self._count = self._kept = 0
        self._skipped: Counter[str] = Counter()

    # ---- one pass

    def read(self) -> None:
        walk_xml(self.file.data, self.file.name, self._start, self._end)
        if not self.revision:
            raise one_error(
                "its root element is not <IPC-2581>", "Give an IPC-2581 file.", file=self.file.name
            )

    def _start(self, tag: str, attributes: Mapping[str, str], line: int) -> None:
        if self._stack:
            self._kept += 1
            if self._kept > MOST_KEPT:
                what = f"<{self._stack[0].tag}> holds more than {MOST_KEPT} elements"
                raise one_error(what, "Export one board, not a panel.", file=self.file.name, line=line)
            node = Node(tag=tag, attributes=dict(attributes), line=line)
            self._stack[-1].children.append(node)
            self._stack.append(node)
            return
        match tag:
            case "IPC-2581":
                self.revision = attributes.get("revision", "") or "unknown"
            case "Step":
                self.steps.append(_Step(name=attributes.get("name", "")))
            case "LayerFeature":
                self._layer_feature = attributes.get("layerRef", "")
            case "CadHeader":
                self._set_units(attributes, line)
            case "DictionaryStandard" | "DictionaryUser" | "DictionaryLineDesc":
                self._set_units(attributes, line)
            case _ if tag in _RECORDS:
                if tag != "Set" or self._wanted():
                    self._kept = 0
                    self._stack.append(Node(tag=tag, attributes=dict(attributes), line=line))

    def _end(self, tag: str) -> None:
        if not self._stack:
            if tag == "LayerFeature":
                self._layer_feature = ""
            return
        node = self._stack.pop()
        if self._stack:
            return
        try:
            self._record(node)
        except (BadShapeError, TangledError) as error:
            if len(self.problems) < MOST_PROBLEMS:
                self.problems.append(
                    Problem(
                        what=f"<{node.tag}>: {error}",
                        mend="Export the file again.",
                        file=self.file.name,
                        line=getattr(error, "line", 0) or node.line,
                    )
                )

    def _set_units(self, attributes: Mapping[str, str], line: int) -> None:
        """Each dictionary and the CAD data state their own unit."""
        word = attributes.get("units", "").upper()
        if word not in UNITS_MM:
            raise one_error(
                f"units are {word!r}" if word else "states no units",
                f"Export it with units of {', '.join(UNITS_MM)}.",
                file=self.file.name,
                line=line,
            )
        self.shapes.unit_mm = UNITS_MM[word]

    def _wanted(self) -> bool:
        function = self.layers.get(self._layer_feature, ("", ""))[0]
        return function in _ROLES or function == _DRILL

    def _record(self, node: Node) -> None:
        match node.tag:
            case "EntryStandard" | "EntryUser":
                self.shapes.define(node)
            case "EntryLineDesc":
                self.shapes.define_line(node)
            case "Layer":
                function = node.attributes.get("layerFunction", "").upper()
                self.layers[node.attributes.get("name", "")] = (
                    function,
                    node.attributes.get("side", "").upper(),
                )
                if node.attributes.get("polarity", "").upper() == "NEGATIVE":
                    self.negative.add(node.attributes.get("name", ""))
            case _ if not self.steps:
                return
            case "PadStackDef":
                self.steps[-1].padstacks[node.attributes.get("name", "")] = {
                    child.attributes.get("layerRef", ""): child
                    for child in node.children
                    if child.tag == "PadstackPadDef"
                    and child.attributes.get("padUse", "REGULAR") == "REGULAR"
                }
            case "PadStack":
                self._padstack(node)
            case "Set":
                self._set(node)
            case "Profile":
                self._profile(node)
            case "LogicalNet":
                net = node.attributes.get("name", "")
                for pin in node.children:
                    if pin.tag == "PinRef":
                        self.steps[-1].pin_nets[_pin(pin)] = net
            case "StepRepeat":
                self.steps[-1].repeats.append(node.attributes.get("stepRef", ""))

    def _padstack(self, node: Node) -> None:
        """An instance with its pads on every layer, as some programs write instead of layer features."""
        net = node.attributes.get("net", "")
        for child in node.children:
            if child.tag == "LayerPad":
                layer = child.attributes.get("layerRef", "")
                if self.layers.get(layer, ("", ""))[0] in _ROLES:
                    self._pad(child, layer, net=net, function="", dark=True, set_ref="")
            elif child.tag == "LayerHole":
                self._hole(child)

    def _set(self, node: Node) -> None:
        layer = self._layer_feature
        attributes = node.attributes
        net = attributes.get("net", "")
        function = _FUNCTION.get(attributes.get("padUsage", "").upper(), "")
        if attributes.get("testPoint", "").lower() == "true":
            function = "TestPad"
        dark = attributes.get("polarity", "").upper() != "NEGATIVE"
        for child in node.children:
            if child.tag == "Pad":
                self._pad(
                    child,
                    layer,
                    net=net,
                    function=function,
                    dark=dark,
                    set_ref=attributes.get("componentRef", ""),
                )
            elif child.tag == "Hole":
                self._hole(child)
            elif child.tag == "Features":
                self._features(child, layer, net=net, dark=dark)
            elif child.tag in _FIDUCIALS:
                self._pad(child, layer, net="", function="FiducialPad", dark=dark, set_ref="")
            elif child.tag == "SlotCavity":
                self._slot(child)

    def _counted(self, node: Node) -> None:
        self._count += 1
        if self._count > MOST_FEATURES:
            raise InputError(
                [
                    Problem(
                        what=f"holds more than {MOST_FEATURES} features on the layers that matter",
                        mend="Export one board, not a panel of copies.",
                        file=self.file.name,
                        line=node.line,
                    )
                ]
            )

    def _pad(self, node: Node, layer: str, *, net: str, function: str, dark: bool, set_ref: str) -> None:
        self._counted(node)
        area = self.shapes.of_children(node)
        if area is None:
            stack = self.steps[-1].padstacks.get(node.attributes.get("padstackDefRef", ""), {})
            if layer not in stack:
                return  # a pad that has nothing on this layer
            area = self.shapes.of_children(stack[layer])
            if area is None:
                return
            area = placed(area, stack[layer], self.shapes.unit_mm)
        shape = placed(area, node, self.shapes.unit_mm)
        ref, pin = next((_pin(child) for child in node.children if child.tag == "PinRef"), (set_ref, ""))
        attributes: dict[str, tuple[str, ...]] = {}
        if function:
            attributes["AperFunction"] = (function,)
        if ref:
            attributes["P" if pin else "C"] = (ref, pin) if pin else (ref,)
            if pin:
                attributes["C"] = (ref,)
        if net:
            attributes["N"] = (net,)
        self._add(layer, DrawnKind.FLASH, shape, dark, attributes, node.line)

    def _features(self, node: Node, layer: str, *, net: str, dark: bool) -> None:
        self._counted(node)
        attributes = {"N": (net,)} if net else {}
        unit = self.shapes.unit_mm
        for area, width_mm, path in self.shapes.drawn(node):
            stroke = width_mm > 0
            shape = placed(area, node, unit)
            function = {"AperFunction": ("Conductor",)} if stroke and self._is_copper(layer) else {}
            kind = DrawnKind.STROKE if stroke else DrawnKind.REGION
            if any(child.tag in ("Xform", "Location") for child in node.children):
                path = ()  # its place is that of the shape; only strokes drawn in place can follow the outline
            self._add(
                layer, kind, shape, dark, {**attributes, **function}, node.line, path=path, width_mm=width_mm
            )

    def _is_copper(self, layer: str) -> bool:
        return _ROLES.get(self.layers.get(layer, ("", ""))[0], (None,))[0] is LayerRole.TOP_COPPER

    def _add(
        self,
        layer: str,
        kind: DrawnKind,
        shape: object,
        dark: bool,
        attributes: Mapping[str, tuple[str, ...]],
        line: int,
        *,
        path: tuple[tuple[float, float], ...] = (),
        width_mm: float = 0.0,
    ) -> None:
        parts = polygons_of(shape)  # type: ignore[arg-type]
        for part in parts:
            self.steps[-1].objects[layer].append(
                Drawn(
                    kind=kind,
                    shape=part,
                    dark=dark,
                    attributes=attributes,
                    line=line,
                    path_mm=path,
                    width_mm=width_mm,
                )
            )

    def _hole(self, node: Node) -> None:
        self._counted(node)
        unit = self.shapes.unit_mm
        status = node.attributes.get("platingStatus", "").upper()
        x, y = (number(node, name) * unit for name in ("x", "y"))
        diameter = number(node, "diameter") * unit
        if diameter <= 0:
            raise BadShapeError(f"a hole's diameter is {diameter:g}", node.line)
        plated = _PLATED.get(status)
        self.steps[-1].drills.append(
            Drill(x_mm=x, y_mm=y, diameter_mm=diameter, line=node.line, plated=plated)
        )

    def _slot(self, node: Node) -> None:
        """A slot is given by its area; its hole is as wide as the area's short side."""
        self._counted(node)
        area = self.shapes.of_children(node)
        if area is None:
            area = next(
                (a for child in node.children if (a := self.shapes.of_children(child)) is not None), None
            )
        if area is None or area.is_empty:
            self._skipped["slot without an area"] += 1
            return
        corners = shapely.get_coordinates(shapely.oriented_envelope(placed(area, node, self.shapes.unit_mm)))
        one, other = corners[1] - corners[0], corners[2] - corners[1]
        along, across = (one, other) if np.hypot(*one) >= np.hypot(*other) else (other, one)
        width, long = float(np.hypot(*across)), float(np.hypot(*along))
        half = along / long * (long - width) / 2 if long > 0 else along * 0
        (x, y), (x2, y2) = (corners[:4].mean(axis=0) + sign * half for sign in (-1, 1))
        status = node.attributes.get("platingStatus", "").upper()
        self.steps[-1].drills.append(
            Drill(
                x_mm=float(x),
                y_mm=float(y),
                diameter_mm=width,
                line=node.line,
                slot_to_mm=(float(x2), float(y2)) if long - width > 1e-6 else None,
                plated=_PLATED.get(status),
            )
        )

    def _profile(self, node: Node) -> None:
        for child in node.children:
            if child.tag not in ("Polygon", "Cutout"):
                continue
            points = polygon_points(child, self.shapes.unit_mm)
            if len(points) < 3:
                continue
            path = tuple((float(x), float(y)) for x, y in np.vstack((points, points[:1])))
            self.steps[-1].profile.append(
                Drawn(
                    kind=DrawnKind.STROKE,
                    shape=Polygon(),
                    dark=True,
                    attributes={},
                    line=child.line,
                    path_mm=path,
                )
            )

    # ---- what was read

    def artwork(self, ask: Ask) -> Artwork:
        if self.problems:
            raise InputError(self.problems)
        filled = [step for step in self.steps if step.objects]
        if not filled:
            raise one_error(
                "no step of the file has pads on a paste, copper or mask layer",
                "Export it with its layer features (function mode FABRICATION or ASSEMBLY).",
                file=self.file.name,
            )
        step = max(filled, key=lambda each: sum(len(things) for things in each.objects.values()))
        notes = self._notes(step, filled)
        side = ask.side
        index = 0 if side is Side.TOP else 1
        found: dict[LayerRole, Layer] = {}
        uses: list[LayerUse] = []
        for name, (function, layer_side) in self.layers.items():
            roles = _ROLES.get(function)
            role = (
                roles[0 if layer_side == "TOP" else 1]
                if roles and layer_side in ("TOP", "BOTTOM")
                else LayerRole.DRILL
                if function == _DRILL
                else LayerRole.OTHER
            )
            things = step.objects.get(name, [])
            mine = (
                roles is not None
                and role is roles[index]
                and bool(things or function in ("SOLDERPASTE", "PASTEMASK"))
            )
            how = f"layerFunction {function}, side {layer_side}"
            uses.append(LayerUse(file=f"{self.file.name}: {name}", role=role, how=how, used=mine))
            if mine:
                old = found.get(role)
                objects = (*(old.objects if old else ()), *(self._netted(thing, step) for thing in things))
                found[role] = Layer(file=self.file.name, attributes={}, objects=objects)
        paste_role, mask_role, copper_role = (
            _ROLES[word][index] for word in ("SOLDERPASTE", "SOLDERMASK", "CONDUCTOR")
        )
        if step.profile:
            found[LayerRole.OUTLINE] = Layer(file=self.file.name, attributes={}, objects=tuple(step.profile))
        if not {paste_role, copper_role, mask_role} & found.keys():
            raise one_error(
                f"has no paste, copper or mask layer of the {side} side",
                "Choose the other side with --side, or export those layers too.",
                file=self.file.name,
            )
        drills = DrillFile(file=self.file.name, drills=tuple(step.drills), plated=None, attributes={})
        return Artwork(
            what="IPC-2581 file",
            judging=Judging.BY_COPPER,
            layers=found,
            drillings=(drills,) if step.drills else (),
            uses=tuple(uses),
            problems=tuple(notes),
            file=self.file.name,
        )

    def _netted(self, thing: Drawn, step: _Step) -> Drawn:
        """Return a pad with the net that the logical nets name for its pin, where its set names none."""
        if "N" in thing.attributes or "P" not in thing.attributes:
            return thing
        ref, pin = thing.attributes["P"]
        net = step.pin_nets.get((ref, pin))
        if not net:
            return thing
        return replace(thing, attributes={**thing.attributes, "N": (net,)})

    def _notes(self, step: _Step, filled: list[_Step]) -> list[Problem]:
        def note(what: str, severity: Severity = Severity.NOTE) -> Problem:
            return Problem(what=what, severity=severity, file=self.file.name)

        notes: list[Problem] = []
        repeated = sum(each.repeats.count(step.name) for each in self.steps)
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
        if self._skipped:
            words = ", ".join(f"{count} {what}(s)" for what, count in self._skipped.items())
            notes.append(note(f"left out: {words}"))
        notes.extend(note(words, Severity.WARNING) for words in self.shapes.doubts)
        return notes


def _pin(node: Node) -> tuple[str, str]:
    return node.attributes.get("componentRef", ""), node.attributes.get("pin", "")
