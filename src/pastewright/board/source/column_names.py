"""Header cells of tables to fields, by the spellings that design programs and people use.

Where two columns could be one field, nothing is chosen: the person is shown both and asked.
"""

import re
from collections.abc import Mapping, Sequence
from enum import StrEnum

from msgspec import Struct

from pastewright.board.model import Side
from pastewright.board.source.text_table import unit_of_header, words_of
from pastewright.problems import InputError, Problem, one_error


class Field(StrEnum):
    """What a column holds."""

    X = "x"
    Y = "y"
    X2 = "x2"
    Y2 = "y2"
    WIDTH = "width"
    HEIGHT = "height"
    DIAMETER = "diameter"
    CORNER = "corner"
    ROTATION = "rotation"
    SHAPE = "shape"
    VOLUME_UL = "volume_ul"
    VOLUME_NL = "volume_nl"
    REF = "ref"
    PIN = "pin"
    NET = "net"
    SIDE = "side"
    KIND = "kind"
    HOLE = "hole"


LENGTHS = frozenset(
    {
        Field.X,
        Field.Y,
        Field.X2,
        Field.Y2,
        Field.WIDTH,
        Field.HEIGHT,
        Field.DIAMETER,
        Field.CORNER,
        Field.HOLE,
    }
)

# Spellings in plain words (`words_of`), common practice of a dozen design programs. Of each row, the spellings
# before the bar are preferred to those behind it: "Mid X" is the part's middle, "Ref X" only its reference point.
_SPELLINGS: Mapping[Field, str] = {
    Field.X: "center x,centre x,mid x,x center,x centre,midx,centroid x,x centroid,x mid|"
    "x,pos x,x pos,posx,xpos,x position,position x,x coord,coord x,x coordinate,coordinate x,loc x,x loc,"
    "location x,x location,locx,x1,x 1,start x,x start,from x,x from|ref x,refx,pad x,padx",
    Field.Y: "center y,centre y,mid y,y center,y centre,midy,centroid y,y centroid,y mid|"
    "y,pos y,y pos,posy,ypos,y position,position y,y coord,coord y,y coordinate,coordinate y,loc y,y loc,"
    "location y,y location,locy,y1,y 1,start y,y start,from y,y from|ref y,refy,pad y,pady",
    Field.X2: "x2,x 2,end x,x end,to x,x to",
    Field.Y2: "y2,y 2,end y,y end,to y,y to",
    Field.WIDTH: "width,w,size x,x size,sizex,pad width,dx,line width,bead width",
    Field.HEIGHT: "height,h,size y,y size,sizey,pad height,dy",
    Field.DIAMETER: "diameter,dia,diam,d,dot diameter,dot size",
    Field.CORNER: "corner,corner radius,radius",
    Field.ROTATION: "rotation,rot,angle,theta,orientation,turn,rotate,rotation deg,rot deg,angle deg,deg",
    Field.SHAPE: "shape,pad shape,form",
    Field.REF: "designator,ref,refdes,ref des,reference,reference designator,part reference,ref designator,"
    "refdesignator,ref id,refid|name,part,component,comp,component name,part name,parts",
    Field.PIN: "pin,pin number,pin no,pin name,pad,pad name,pad number,pad no,terminal,pinnumber",
    Field.NET: "net,net name,netname,signal,signal name",
    Field.SIDE: "side,layer,tb,board side,mount side,placement side,mounting side,board layer,place layer",
    Field.KIND: "kind,pad kind",
    Field.HOLE: "hole,drill,hole diameter,drill diameter,hole size,drill size",
}
_BY_WORDS: dict[str, tuple[Field, int]] = {
    words: (field, rank)
    for field, ranks in _SPELLINGS.items()
    for rank, group in enumerate(ranks.split("|"))
    for words in group.split(",")
}
_VOLUME = re.compile(r"(?:paste\s*)?(?:volume|vol|dose|amount)\b")
_VOLUME_UNITS = {"ul": Field.VOLUME_UL, "µl": Field.VOLUME_UL, "μl": Field.VOLUME_UL, "mm3": Field.VOLUME_UL}
_VOLUME_UNITS |= {"mm³": Field.VOLUME_UL, "nl": Field.VOLUME_NL}
# Words that could be two things; the message says which.
_UNCLEAR = {
    "length": "width (along x) or height (along y)",
    "size": "diameter, width or height",
    "l": "width (along x) or height (along y)",
    "r": "rotation or corner",
}


class Columns(Struct, frozen=True, kw_only=True):
    """Where each field is: column `index`, its `unit` from the header, or a `constant` for every row."""

    index: Mapping[Field, int]
    unit: Mapping[Field, str]
    constant: Mapping[Field, str]

    def has(self, field: Field) -> bool:
        """Return whether a field is given at all."""
        return field in self.index or field in self.constant


def fields_of(header: Sequence[str], *, strict: bool = False) -> dict[Field, list[int]]:
    """Return the columns that could be each field, only those of the best spelling.

    `strict`: places of any spelling count alike, so that "X" beside "Mid X" can be asked about.
    """
    best: dict[Field, tuple[int, list[int]]] = {}
    for number, cell in enumerate(header):
        field, rank = _field_of(cell)
        if field is None:
            continue
        if strict and field in (Field.X, Field.Y):
            rank = 0
        held = best.get(field)
        if held is None or rank < held[0]:
            best[field] = (rank, [number])
        elif rank == held[0]:
            held[1].append(number)
    return {field: numbers for field, (_rank, numbers) in best.items()}


def _field_of(cell: str) -> tuple[Field | None, int]:
    words = words_of(cell)
    if _VOLUME.match(words):
        low = cell.lower()
        for unit, field in _VOLUME_UNITS.items():
            if re.search(rf"(?<![a-z]){unit}(?![a-z])", low.replace("_", " ")):
                return field, 0
        return None, 0
    return _BY_WORDS.get(words, (None, 0))


def columns_of_header(
    header: Sequence[str], given: str, file: str, line: int, *, strict: bool = True
) -> Columns:
    """Return the columns of a header, `given` (--columns) going first; refuses what is ambiguous.

    Without `strict` (centroid files), the part's middle is taken before its reference point.
    """
    index, constant = _given(given, header, file)
    problems: list[Problem] = []
    for field, numbers in fields_of(header, strict=strict).items():
        if field in index or field in constant:
            continue
        if len(numbers) > 1 and field not in (Field.NET, Field.KIND):
            names = " or ".join(repr(header[number]) for number in numbers)
            problems.append(
                Problem(
                    what=f"{names} could each be {field}",
                    mend=f"Say which with --columns '{field}={header[numbers[0]]}'.",
                    file=file,
                    line=line,
                )
            )
        index.setdefault(field, numbers[0])
    taken = set(index.values())
    for number, cell in enumerate(header):
        words = words_of(cell)
        if number in taken:
            continue
        if words in _UNCLEAR:
            problems.append(
                Problem(
                    what=f"the column {cell!r} could be {_UNCLEAR[words]}",
                    mend=f"Say which with --columns, e.g. --columns '{re.split('[ ,]', _UNCLEAR[words])[0]}={cell}'.",
                    file=file,
                    line=line,
                )
            )
        elif _VOLUME.match(words) and Field.VOLUME_UL not in index and Field.VOLUME_NL not in index:
            problems.append(
                Problem(
                    what=f"the column {cell!r} names no unit of volume",
                    mend=f"Name it volume_ul or volume_nl, or say --columns 'volume_ul={cell}'.",
                    file=file,
                    line=line,
                )
            )
    if problems:
        raise InputError(problems)
    units = {field: unit_of_header(header[number]) for field, number in index.items() if field in LENGTHS}
    return Columns(
        index=index, unit={field: unit for field, unit in units.items() if unit}, constant=constant
    )


def columns_by_position(given: str, count: int, file: str) -> Columns:
    """Return the columns of a table without a header: --columns names them in order, "-" for one to pass over."""
    if not given.strip():
        raise one_error(
            f"has no header, so nothing says what its {count} columns are",
            f"Name them in order, e.g. --columns {_example(count)}, or write a header line.",
            file=file,
        )
    index, constant = _given(given, (), file)
    if any(number >= count for number in index.values()):
        raise one_error(
            f"--columns names {max(index.values()) + 1} columns; the rows have {count}",
            "Name each column once, in order; - passes one over.",
            file=file,
        )
    return Columns(index=index, unit={}, constant=constant)


def _example(count: int) -> str:
    choices = {2: "x,y,diameter=0.5", 3: "x,y,diameter or x,y,volume_ul,diameter=0.5"}
    return choices.get(
        count, "x,y,width,height" + ",-" * max(0, count - 4) + " or x,y,x2,y2" + ",-" * (count - 4)
    )


_CONSTANT = re.compile(r"[-+]?[0-9]*\.?[0-9]+\s*(?:mm|mil|in|cm|um)?|rect|round|oval|rounded", re.I)


def _given(given: str, header: Sequence[str], file: str) -> tuple[dict[Field, int], dict[Field, str]]:
    """Read --columns: names by position, FIELD=HEADER, or FIELD=VALUE for all rows."""
    index: dict[Field, int] = {}
    constant: dict[Field, str] = {}
    if not given.strip():
        return index, constant
    cells = [cell.strip().lower() for cell in header]
    for position, item in enumerate(given.split(",")):
        name, mark, value = (part.strip() for part in item.partition("="))
        if name in ("-", "") and not mark:
            continue
        try:
            field = Field(name.lower().replace(" ", "_"))
        except ValueError:
            raise one_error(
                f"--columns: there is no field {name!r}", f"Fields are {', '.join(Field)}.", file=file
            ) from None
        if not mark:
            if header:
                raise one_error(
                    f"--columns {name!r}: this table has a header, so name the column",
                    f"Write {name}=HEADER; its columns are {', '.join(repr(cell) for cell in header)}.",
                    file=file,
                )
            index[field] = position
        elif value.lower() in cells:
            index[field] = cells.index(value.lower())
        elif _CONSTANT.fullmatch(value):
            constant[field] = value
        else:
            raise one_error(
                f"--columns {item!r}: there is no column {value!r}",
                f"Columns are {', '.join(repr(cell) for cell in header) or 'without names'}; or give a number.",
                file=file,
            )
    return index, constant


_TOP = frozenset({"top", "t", "f", "front", "toplayer", "f.cu", "component", "1", "primary", "toppaste"})
_BOTTOM = frozenset({"bottom", "bot", "b", "back", "bottomlayer", "b.cu", "solder", "2", "secondary"})


def side_of(cell: str) -> Side | None:
    """Return the side that a cell names; None when it names none."""
    word = "".join(cell.lower().replace("_", " ").split())
    if word in _TOP or word.startswith("top"):
        return Side.TOP
    if word in _BOTTOM or word.startswith("bot"):
        return Side.BOTTOM
    return None
