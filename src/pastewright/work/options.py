"""Every option that more than one command takes, stated once.

A class here is a bundle: a command that has a parameter of such a class takes all its options, and gets them as one
value (`app.unbundled` sees to that).
"""

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class SideName(StrEnum):
    """The sides, as options spell them."""

    TOP = "top"
    BOTTOM = "bottom"


class SidesName(StrEnum):
    """One side or both."""

    TOP = "top"
    BOTTOM = "bottom"
    BOTH = "both"


Source = Annotated[Path, typer.Argument(help="Folder, zip or file of fabrication data.")]
ProfilePath = Annotated[Path, typer.Option("--profile", "-p", help="The bench, a TOML file.")]
SideOption = Annotated[SideName, typer.Option("--side", help="The side to paste.")]
LayerOption = Annotated[
    list[str] | None,
    typer.Option(
        "--layer",
        metavar="FILE=ROLE",
        help='Say what a file, or a layer of a drawing, is: "board.gm3=outline". Repeat.',
    ),
]
UnitsOption = Annotated[
    str,
    typer.Option(
        "--units", metavar="UNIT", help="Unit of a drawing or table that states none: mm, in, mil, …"
    ),
]
ColumnsOption = Annotated[
    str,
    typer.Option(
        "--columns", metavar="LIST", help='Columns of a table: "x,y,diameter", or "x=Mid X,diameter=0.8".'
    ),
]
CutShortOption = Annotated[
    bool,
    typer.Option(
        "--cut-short", help="Use a layer that ends without its end word as it is, though paste may lack."
    ),
]
JobOption = Annotated[
    Path | None, typer.Option("--job", help="The job file [job.toml beside the design, if there is one].")
]
KeepOutOption = Annotated[
    list[str] | None,
    typer.Option(
        "--keep-out",
        metavar="X0,Y0,X1,Y1[,HEIGHT]",
        help="A tall part on the board: two corners and its height [mm]. Repeat.",
    ),
]
PlanFile = Annotated[Path, typer.Option("--plan", help="The plan.json that was written with it.")]
CompanionFile = Annotated[
    Path | None,
    typer.Option("--plan", help="The plan.json or sheet.json that was written with it [the one beside it]."),
]
EvenIfUnverified = Annotated[
    bool, typer.Option("--even-if-unverified", help="Write the program although the verdict has findings.")
]
ForceOption = Annotated[bool, typer.Option("--force", help="Overwrite the file.")]
PortOption = Annotated[
    str,
    typer.Option(
        "--port",
        metavar="PORT",
        help="Port or URL; sim:reprap and sim:cnc are virtual; file:NAME writes a file.",
    ),
]
JournalOption = Annotated[
    Path | None, typer.Option("--journal", metavar="FILE", help="The journal [in the user's state folder].")
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """What a person says about fabrication files where they do not say it themselves."""

    layer: LayerOption = None
    units: UnitsOption = ""
    columns: ColumnsOption = ""
    cut_short: CutShortOption = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Asking(ReadOptions):
    """What a person says about a board that is to be pasted: the same wherever doses or places count."""

    side: Annotated[
        SideName | None, typer.Option("--side", help="The side to paste [the job's, else top].")
    ] = None
    job: JobOption = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sending:
    """What every command that sends a program takes."""

    port: PortOption = ""
    yes: Annotated[
        bool,
        typer.Option("--yes", help="Answer with yes what is neither about safety nor about an empty barrel."),
    ] = False
    assume: Annotated[
        list[str] | None,
        typer.Option(
            "--assume",
            metavar="NAMES",
            help="What you have checked yourself: place, board, side, clear, air, strip, unmoved, paste. Repeat.",
        ),
    ] = None
    journal: JournalOption = None
    baud: Annotated[
        int | None, typer.Option("--baud", min=300, help="Speed of the line [the profile's].")
    ] = None
    barrel: Annotated[
        str,
        typer.Option("--barrel", metavar="NAME", help="The barrel in the machine (pastewright barrel new)."),
    ] = ""
    lot: Annotated[str, typer.Option("--lot", help="Lot of the paste, for the record.")] = ""
    opened: Annotated[
        str,
        typer.Option(
            "--opened", metavar="WHEN", help='When the paste was opened: "2h" ago, or date and time.'
        ),
    ] = ""
    fill_ul: Annotated[
        float | None,
        typer.Option("--fill-ul", min=0, help="Paste in the barrel when it was put in [the profile's fill]."),
    ] = None
    note: Annotated[str, typer.Option("--note", help="A remark for the record.")] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AtMachine:
    """What every command takes that moves a machine by hand."""

    port: Annotated[
        str, typer.Option("--port", metavar="PORT", help="Port or URL; sim:reprap and sim:cnc are virtual.")
    ] = ""
    baud: Annotated[
        int | None, typer.Option("--baud", min=300, help="Speed of the line [the profile's].")
    ] = None
    home: Annotated[bool, typer.Option("--home", help="Home the machine first.")] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OfBarrel:
    """Whose account it is when a hand moves paste."""

    barrel: Annotated[
        str,
        typer.Option("--barrel", metavar="NAME", help="The barrel in the machine (pastewright barrel new)."),
    ] = ""
    journal: JournalOption = None


PlanOption = Annotated[
    Path | None, typer.Option("--plan", help="A plan.json, for places by fiducial, corner or pad.")
]

BUNDLES: tuple[type, ...] = (ReadOptions, Asking, Sending, AtMachine, OfBarrel)
