"""Drawings to Gerber text, in two hands: today's X2 in millimetres, and RS-274X of long ago in inches."""

from dataclasses import dataclass, field

from pastewright.decimals import short
from pastewright.demo.drawing import NO_TAG, Drawing, Flash, Path, Tag

ORIGIN_MM = (25.4, 50.8)
"""Where the board's lower left corner lies in the files; real exports seldom start at zero."""

PROJECT = "%TF.ProjectId,greenhouse-logger,67726565-6e68-4f75-8365-6c6f67676572,A*%"
CREATED = "2024-03-01T09:00:00+00:00"

_SOFT_CORNER = (
    "%AMSoftCorner*\n"
    "0 Rectangle with round corners: $1 width, $2 height, $3 corner radius*\n"
    "21,1,$1,$2-2x$3,0,0,0*\n"
    "21,1,$1-2x$3,$2,0,0,0*\n"
    "$4=$1/2-$3*\n"
    "$5=$2/2-$3*\n"
    "1,1,2x$3,$4,$5*\n"
    "1,1,2x$3,0-$4,$5*\n"
    "1,1,2x$3,0-$4,0-$5*\n"
    "1,1,2x$3,$4,0-$5*%"
)


def _number(value: float, digits: int = 6) -> str:
    return short(value, digits)  # six are a nanometre, the finest that the format can say


@dataclass(slots=True)
class _Writer:
    """Lines of one file; apertures are defined at the top once all are known."""

    old: bool
    scale: float  # file units per mm, times ten to the decimals
    unit: float  # file units per mm
    apertures: dict[tuple[str, str], int] = field(default_factory=dict)
    definitions: list[str] = field(default_factory=list)
    body: list[str] = field(default_factory=list)
    chosen: int = 0
    clear: bool = False
    mode: str = "G01"
    tag: Tag = NO_TAG

    def place(self, x: float, y: float) -> str:
        return f"X{round((x + ORIGIN_MM[0]) * self.scale)}Y{round((y + ORIGIN_MM[1]) * self.scale)}"

    def choose(self, shape: str, function: str) -> None:
        key = (shape, function if not self.old else "")
        if key not in self.apertures:
            number = 10 + len(self.apertures)
            self.apertures[key] = number
            self._define(number, *key)
        if self.chosen != self.apertures[key]:
            self.chosen = self.apertures[key]
            self.body.append(f"{'G54' if self.old else ''}D{self.chosen}*")

    def _define(self, number: int, shape: str, function: str) -> None:
        if function:
            self.definitions.append(f"%TA.AperFunction,{function}*%")
        if self.old and shape.startswith("SoftCorner,"):
            # Every size is a macro of its own, with its numbers written out.
            w, h, r = (float(part) for part in shape.partition(",")[2].split("X"))
            circles = [(sx * (w / 2 - r), sy * (h / 2 - r)) for sx in (1, -1) for sy in (1, -1)]
            lines = [
                f"21,1,{_number(w)},{_number(h - 2 * r)},0,0,0*",
                f"21,1,{_number(w - 2 * r)},{_number(h)},0,0,0*",
            ]
            lines += [f"1,1,{_number(2 * r)},{_number(x)},{_number(y)}*" for x, y in circles]
            self.definitions.append(f"%AMSOFT{number}*\n" + "\n".join(lines) + "%")
            shape = f"SOFT{number}"
        self.definitions.append(f"%ADD{number}{shape}*%")
        if function:
            self.definitions.append("%TD*%")

    def polarity(self, clear: bool) -> None:
        if clear != self.clear:
            self.clear = clear
            self.body.append("%LPC*%" if clear else "%LPD*%")

    def told(self, tag: Tag) -> None:
        """Write object attributes where they differ from those in force."""
        mine = Tag(ref=tag.ref, pin=tag.pin, net=tag.net)
        if self.old or mine == self.tag:
            return
        if self.tag != NO_TAG:
            self.body.append("%TD*%")
        if mine.pin:
            self.body.append(f"%TO.P,{mine.ref},{mine.pin}*%")
        elif mine.ref:
            self.body.append(f"%TO.C,{mine.ref}*%")
        if mine.net:
            self.body.append(f"%TO.N,{mine.net}*%")
        self.tag = mine

    def flash(self, thing: Flash) -> None:
        w, h, r = thing.w * self.unit, thing.h * self.unit, thing.corner * self.unit
        if thing.corner == 0:
            shape = f"R,{_number(w)}X{_number(h)}"
        elif thing.w == thing.h == 2 * thing.corner:
            shape = f"C,{_number(w)}"
        else:
            shape = f"SoftCorner,{_number(w)}X{_number(h)}X{_number(r)}"
        self.polarity(thing.clear)
        self.choose(shape, thing.tag.function)
        self.told(thing.tag)
        if self.old and thing.grid > 1:
            step = _number(thing.step * self.unit, 5)
            self.body.append(f"%SRX{thing.grid}Y{thing.grid}I{step}J{step}*%")
            self.body.append(self.place(thing.x, thing.y) + "D03*")
            self.body.append("%SRX1Y1I0J0*%")
            return
        for j in range(thing.grid):
            for i in range(thing.grid):
                self.body.append(self.place(thing.x + i * thing.step, thing.y + j * thing.step) + "D03*")

    def path(self, thing: Path) -> None:
        self.polarity(thing.clear)
        if thing.width:
            self.choose(f"C,{_number(thing.width * self.unit)}", thing.tag.function)
        elif thing.tag.function and not self.old:
            # A contour takes its aperture function from the attributes in force, not from an aperture.
            self.body.append(f"%TA.AperFunction,{thing.tag.function}*%")
        self.told(thing.tag)
        if not thing.width:
            self.body.append("G36*")
        self.body.append(self.place(*thing.start) + "D02*")
        at = thing.start
        for edge in thing.edges:
            mode = "G01" if edge.centre is None else "G03" if edge.left else "G02"
            if mode != self.mode:
                self.mode = mode
                self.body.append(mode + "*")
            offset = ""
            if edge.centre is not None:
                # From the rounded start, so that start and centre do not drift apart.
                i = round((edge.centre[0] + ORIGIN_MM[0]) * self.scale) - round(
                    (at[0] + ORIGIN_MM[0]) * self.scale
                )
                j = round((edge.centre[1] + ORIGIN_MM[1]) * self.scale) - round(
                    (at[1] + ORIGIN_MM[1]) * self.scale
                )
                offset = f"I{i}J{j}"
            self.body.append(self.place(*edge.end) + offset + "D01*")
            at = edge.end
        if not thing.width:
            self.body.append("G37*")
            if thing.tag.function and not self.old:
                self.body.append("%TD.AperFunction*%")
        elif self.old:
            self.body.append("D02*")


def gerber_text(drawing: Drawing, *, old: bool, title: str) -> str:
    """Return one layer as Gerber text.

    `old` writes RS-274X in inches 2.5 without any attribute, with `title` in its G04 head; else X2 in
    millimetres 4.6, with file, aperture and object attributes.
    """
    unit = 1 / 25.4 if old else 1.0
    writer = _Writer(old=old, scale=unit * (1e5 if old else 1e6), unit=unit)
    for thing in drawing.things:
        if isinstance(thing, Flash):
            writer.flash(thing)
        else:
            writer.path(thing)
    writer.told(NO_TAG)
    head = _old_head(title) if old else _x2_head(drawing)
    macros = [_SOFT_CORNER] if not old and any("SoftCorner" in shape for shape, _ in writer.apertures) else []
    start = ["%LPD*%", "G75*", "G01*"]
    return "\n".join([*head, *macros, *writer.definitions, *start, *writer.body, "M02*", ""])


def _x2_head(drawing: Drawing) -> list[str]:
    return [
        "%TF.GenerationSoftware,pastewright,demo board,1*%",
        f"%TF.CreationDate,{CREATED}*%",
        PROJECT,
        "%TF.SameCoordinates,Original*%",
        f"%TF.FileFunction,{drawing.function}*%",
        f"%TF.FilePolarity,{'Positive' if drawing.positive else 'Negative'}*%",
        "%FSLAX46Y46*%",
        "%MOMM*%",
    ]


def _old_head(title: str) -> list[str]:
    return [
        f"G04 {title}*",
        "G04 Greenhouse soil logger, revision A, 01-Mar-2024*",
        "%FSLAX25Y25*%",
        "%MOIN*%",
        "%IPPOS*%",
        "G70*",
        "G90*",
    ]
