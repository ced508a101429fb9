"""`pastewright barrel …`: barrels as things with a name: new, open, refill, end, list."""

from typing import Annotated

import typer

from pastewright.work.options import JournalOption

BarrelName = Annotated[str, typer.Argument(metavar="NAME", help="What is written on the barrel.")]
NoteOption = Annotated[str, typer.Option("--note", help="A remark for the record.")]


def new(
    name: BarrelName,
    *,
    fill_ul: Annotated[float, typer.Option("--fill-ul", min=0, help="Paste in it [µL].")],
    paste: Annotated[str, typer.Option("--paste", help="What is in it.")] = "",
    lot: Annotated[str, typer.Option("--lot", help="Lot of the paste.")] = "",
    note: NoteOption = "",
    journal: JournalOption = None,
) -> int:
    """Enter a new barrel, still closed; its floor life begins with `barrel open`."""
    from pastewright.work.running.barrels import change

    return change("new", name, journal, ul=fill_ul, paste=paste, lot=lot, note=note)


def open_(
    name: BarrelName,
    *,
    warmed: Annotated[
        str,
        typer.Option("--warmed", metavar="WHEN", help='Out of the cold since: "2h" ago, or date and time.'),
    ] = "",
    when: Annotated[
        str, typer.Option("--when", metavar="WHEN", help='Opened: "2h" ago, or date and time [now].')
    ] = "",
    note: NoteOption = "",
    journal: JournalOption = None,
) -> int:
    """Enter that a barrel was opened: the floor life counts from the first time on."""
    from pastewright.work.running.barrels import change

    return change("open", name, journal, warmed=warmed, when=when, note=note)


def refill(
    name: BarrelName,
    *,
    ul: Annotated[float, typer.Option("--ul", min=0, help="Paste put in [µL].")],
    note: NoteOption = "",
    journal: JournalOption = None,
) -> int:
    """Enter that paste was put into a barrel; its age stays that of the first opening."""
    from pastewright.work.running.barrels import change

    return change("refill", name, journal, ul=ul, note=note)


def end(name: BarrelName, *, note: NoteOption = "", journal: JournalOption = None) -> int:
    """Enter that a barrel is used up or thrown away."""
    from pastewright.work.running.barrels import change

    return change("end", name, journal, note=note)


def list_(
    name: Annotated[str, typer.Argument(metavar="[NAME]", help="Only this one, with its history.")] = "",
    *,
    journal: JournalOption = None,
) -> int:
    """List barrels with what was filled in, used and left, and how old the paste is."""
    from pastewright.work.running.barrels import show

    return show(name, journal)
