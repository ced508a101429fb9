"""The elements of an IPC-2581 file to steps: pads and features by layer, holes, profile and names, in one pass.

Only records that matter for pasting are kept. Elements and attributes after the published schema; primitives are
turned into polygons by `primitives`.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry import Polygon

from pastewright.board.artwork import Drawn, DrawnKind, Drill
from pastewright.board.ipc2581.primitives import (
    UNITS_MM,
    BadShapeError,
    Shapes,
    number,
    placed,
    polygon_points,
)
from pastewright.board.model import LayerRole
from pastewright.board.shapes.curves import polygons_of
from pastewright.board.shapes.rings import TangledError
from pastewright.board.source.files import SourceFile
from pastewright.board.source.safe_xml import MOST_KEPT, Node, walk_xml
from pastewright.problems import InputError, Problem, one_error

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
ROLES = {
    "SOLDERPASTE": (LayerRole.TOP_PASTE, LayerRole.BOTTOM_PASTE),
    "PASTEMASK": (LayerRole.TOP_PASTE, LayerRole.BOTTOM_PASTE),
    "SOLDERMASK": (LayerRole.TOP_MASK, LayerRole.BOTTOM_MASK),
    "CONDUCTOR": (LayerRole.TOP_COPPER, LayerRole.BOTTOM_COPPER),
    "SIGNAL": (LayerRole.TOP_COPPER, LayerRole.BOTTOM_COPPER),
    "MIXED": (LayerRole.TOP_COPPER, LayerRole.BOTTOM_COPPER),
    "PLANE": (LayerRole.TOP_COPPER, LayerRole.BOTTOM_COPPER),
}
DRILL = "DRILL"
# padUsage of a Set, where it settles what a pad is; the X2 function that means the same.
_FUNCTION = {"VIA": "ViaPad", "FIDUCIAL": "FiducialPad", "GLOBAL_FIDUCIAL": "FiducialPad"}
_FUNCTION |= {"LOCAL_FIDUCIAL": "FiducialPad", "TOOLING_HOLE": "WasherPad"}
_PLATED = {"PLATED": True, "VIA": True, "NONPLATED": False}
_FIDUCIALS = frozenset({"Fiducial", "GlobalFiducial", "LocalFiducial"})


@dataclass(slots=True)
class PanelStep:
    """What one step (a board, or a panel of it) holds."""

    name: str
    objects: dict[str, list[Drawn]] = field(default_factory=lambda: defaultdict(list))
    drills: list[Drill] = field(default_factory=list)
    profile: list[Drawn] = field(default_factory=list)
    pin_nets: dict[tuple[str, str], str] = field(default_factory=dict)
    repeats: list[str] = field(default_factory=list)
    padstacks: dict[str, dict[str, Node]] = field(default_factory=dict)


class FileWalk:
    """Walks the file once."""

    def __init__(self, file: SourceFile) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.steps: list[PanelStep] = []
        self.layers: dict[str, tuple[str, str]] = {}
        self.negative: set[str] = set()
        self.shapes = Shapes()
        self.revision = ""
        self._units: list[float | None] = []
        self._stack: list[Node] = []
        self._layer_feature = ""
        self._count = self._kept = 0
        self.skipped: Counter[str] = Counter()

    # ---- one pass

    def read(self) -> None:
        """Walk the whole file."""
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
                self.steps.append(PanelStep(name=attributes.get("name", "")))
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
        return function in ROLES or function == DRILL

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
                if self.layers.get(layer, ("", ""))[0] in ROLES:
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
        return ROLES.get(self.layers.get(layer, ("", ""))[0], (None,))[0] is LayerRole.TOP_COPPER

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
            self.skipped["slot without an area"] += 1
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


def _pin(node: Node) -> tuple[str, str]:
    return node.attributes.get("componentRef", ""), node.attributes.get("pin", "")
