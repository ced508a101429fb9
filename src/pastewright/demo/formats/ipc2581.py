"""The demo board as IPC-2581, with copper, mask, holes, nets and parts."""

import math
from collections.abc import Callable, Iterator

from pastewright.demo.board import holes
from pastewright.demo.drawing import Drawing, Path, Thing, copper, mask, profile
from pastewright.demo.formats.openings import number, pasted
from pastewright.demo.gerber_text import ORIGIN_MM
from pastewright.demo.layout import PARTS

_LAYERS: tuple[tuple[str, str, str, Callable[[], Drawing]], ...] = (
    ("TOP_PASTE", "SOLDERPASTE", "TOP", lambda: _paste_drawing(bottom=False)),
    ("TOP_MASK", "SOLDERMASK", "TOP", lambda: mask(bottom=False)),
    ("TOP_COPPER", "CONDUCTOR", "TOP", lambda: copper(bottom=False)),
    ("BOTTOM_COPPER", "CONDUCTOR", "BOTTOM", lambda: copper(bottom=True)),
    ("BOTTOM_MASK", "SOLDERMASK", "BOTTOM", lambda: mask(bottom=True)),
    ("BOTTOM_PASTE", "SOLDERPASTE", "BOTTOM", lambda: _paste_drawing(bottom=True)),
)


def _paste_drawing(*, bottom: bool) -> Drawing:
    return Drawing(function="", things=tuple(thing for _pad, thing in pasted(bottom)))


def ipc2581_text(revision: str = "C") -> str:
    """Return the whole board as IPC-2581: dictionaries in mm, the board itself in mm, nets and pins."""
    ids: dict[tuple[float, float, float], str] = {}
    widths: dict[float, str] = {}
    body: list[str] = []
    for name, _function, _side, draw in _LAYERS:
        body.append(f'<LayerFeature layerRef="{name}">')
        body += [_set(thing, ids, widths) for thing in draw().things]
        body.append("</LayerFeature>")
    body.append('<LayerFeature layerRef="DRILL">')
    body += _holes()
    body.append("</LayerFeature>")
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<IPC-2581 revision="{revision}" xmlns="http://webstds.ipc.org/2581">',
        '<Content roleRef="Owner"><FunctionMode mode="FABRICATION"/><StepRef name="greenhouse-logger"/>',
        '<DictionaryStandard units="MILLIMETER">',
        *(f'<EntryStandard id="{key}">{_primitive(*size)}</EntryStandard>' for size, key in ids.items()),
        "</DictionaryStandard>",
        # In inches on purpose: each dictionary has a unit of its own.
        '<DictionaryLineDesc units="INCH">',
        *(
            f'<EntryLineDesc id="{key}"><LineDesc lineEnd="ROUND" lineWidth="{width / 25.4:.9f}"/></EntryLineDesc>'
            for width, key in widths.items()
        ),
        "</DictionaryLineDesc></Content>",
        '<Ecad name="greenhouse-logger"><CadHeader units="MILLIMETER"/><CadData>',
        *(
            f'<Layer name="{name}" layerFunction="{function}" side="{side}" polarity="POSITIVE"/>'
            for name, function, side, _draw in _LAYERS
        ),
        '<Layer name="DRILL" layerFunction="DRILL" side="ALL" polarity="POSITIVE"/>',
        '<Step name="greenhouse-logger"><Datum x="0" y="0"/>',
        "<Profile>",
        *(
            _polygon(thing, "Cutout" if number else "Polygon")
            for number, thing in enumerate(thing for thing in profile().things if isinstance(thing, Path))
        ),
        "</Profile>",
        *(
            f'<Component refDes="{part.ref}" packageRef="{part.pattern.name}" layerRef="'
            f'{"BOTTOM" if part.bottom else "TOP"}_COPPER" mountType="SMT"><Xform rotation="{part.turn_deg % 360}"/>'
            f'<Location x="{_x(part.x)}" y="{_y(part.y)}"/></Component>'
            for part in PARTS
        ),
        *body,
        "</Step></CadData></Ecad></IPC-2581>",
        "",
    ]
    return "\n".join(lines)


def _x(x: float) -> str:
    return number(x + ORIGIN_MM[0])


def _y(y: float) -> str:
    return number(y + ORIGIN_MM[1])


def _primitive(w: float, h: float, corner: float) -> str:
    if corner * 2 >= max(w, h):
        return f'<Circle diameter="{number(w)}"/>'
    if corner == 0:
        return f'<RectCenter width="{number(w)}" height="{number(h)}"/>'
    return (
        f'<RectRound width="{number(w)}" height="{number(h)}" radius="{number(corner)}" upperRight="true" upperLeft="true"'
        ' lowerRight="true" lowerLeft="true"/>'
    )


def _set(thing: Thing, ids: dict[tuple[float, float, float], str], widths: dict[float, str]) -> str:
    tag = thing.tag
    net = f' net="{tag.net}"' if tag.net and tag.net != "N/C" else ""
    usage = ' padUsage="VIA"' if tag.function == "ViaPad" else ""
    usage += ' testPoint="true"' if tag.function == "TestPad" else ""
    polarity = ' polarity="NEGATIVE"' if thing.clear else ""
    head = f"<Set{net}{usage}{polarity}>"
    pin = f'<PinRef componentRef="{tag.ref}" pin="{tag.pin}"/>' if tag.pin else ""
    if isinstance(thing, Path):
        if thing.width:
            width = widths.setdefault(thing.width, f"L{len(widths) + 1}")
            steps = "".join(_steps(thing))
            return f'{head}<Features><Polyline>{steps}<LineDescRef id="{width}"/></Polyline></Features></Set>'
        contour = f"<Contour>{_polygon(thing, 'Polygon')}</Contour>"
        if pin:
            return f'{head}<Pad><Location x="0" y="0"/>{contour}{pin}</Pad></Set>'
        return f"{head}<Features>{contour}</Features></Set>"
    key = ids.setdefault((thing.w, thing.h, thing.corner), f"S{len(ids) + 1}")
    places = [
        (thing.x + thing.step * column, thing.y + thing.step * row)
        for row in range(thing.grid)
        for column in range(thing.grid)
    ]
    element = "Pad"
    if tag.function.startswith("FiducialPad"):
        element = "GlobalFiducial" if tag.function.endswith("Global") else "LocalFiducial"
    pads = "".join(
        f'<{element}><Location x="{_x(x)}" y="{_y(y)}"/><StandardPrimitiveRef id="{key}"/>{pin}</{element}>'
        for x, y in places
    )
    return f"{head}{pads}</Set>"


def _polygon(path: Path, name: str) -> str:
    return f"<{name}>{''.join(_steps(path))}</{name}>"


def _steps(path: Path) -> Iterator[str]:
    yield f'<PolyBegin x="{_x(path.start[0])}" y="{_y(path.start[1])}"/>'
    for edge in path.edges:
        end = f'x="{_x(edge.end[0])}" y="{_y(edge.end[1])}"'
        if edge.centre is None:
            yield f"<PolyStepSegment {end}/>"
        else:
            centre = f'centerX="{_x(edge.centre[0])}" centerY="{_y(edge.centre[1])}"'
            yield f'<PolyStepCurve {end} {centre} clockwise="{str(not edge.left).lower()}"/>'


def _holes() -> Iterator[str]:
    for plated, word in ((True, "PLATED"), (False, "NONPLATED")):
        for hole, (x, y, size, to) in enumerate(holes(plated=plated)):
            if to is None:
                yield (
                    f'<Set><Hole name="{word}{hole}" diameter="{number(size)}" platingStatus="{word}" plusTol="0"'
                    f' minusTol="0" x="{_x(x)}" y="{_y(y)}"/></Set>'
                )
                continue
            long = math.dist((x, y), to) + size
            w, h = (long, size) if abs(to[0] - x) > abs(to[1] - y) else (size, long)
            yield (
                f'<Set><SlotCavity name="{word}{hole}" platingStatus="{word}" plusTol="0" minusTol="0">'
                f'<Location x="{_x((x + to[0]) / 2)}" y="{_y((y + to[1]) / 2)}"/>'
                f'<Oval width="{number(w)}" height="{number(h)}"/></SlotCavity></Set>'
            )
