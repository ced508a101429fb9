"""The commands and their words. Heavy imports happen inside each command, so that `--help` answers at once."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pastewright import __version__
from pastewright.cli.exits import DONE, INTERRUPTED, WRONG_INPUT

app = typer.Typer(
    name="pastewright",
    help="From a board's fabrication files to a verified program that lays solder paste.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
profile_app = typer.Typer(
    help="Write and check the profile of a bench.", no_args_is_help=True, rich_markup_mode=None
)
app.add_typer(profile_app, name="profile")


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
        "--layer", metavar="FILE=ROLE", help='Say what a file is, e.g. "board.gm3=outline". Repeat.'
    ),
]


def main() -> None:
    """Run the command line; bad input ends with a message and exit code 2, never with a traceback."""
    from pastewright.problems import InputError

    try:
        code = app(standalone_mode=False)
    except InputError as error:
        from pastewright.cli.console import print_problems

        print_problems(error.problems)
        sys.exit(WRONG_INPUT)
    except typer.Abort:
        print("Stopped; nothing was written after this point.", file=sys.stderr)
        sys.exit(WRONG_INPUT)
    except typer.Exit as leave:
        sys.exit(leave.exit_code)
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        sys.exit(INTERRUPTED)
    except BrokenPipeError:
        sys.exit(WRONG_INPUT)
    except Exception as error:
        show = getattr(error, "show", None)
        if show is None or not hasattr(error, "exit_code"):
            raise  # our own mistake: the traceback is what helps
        show()
        sys.exit(WRONG_INPUT)
    sys.exit(code if isinstance(code, int) else DONE)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"pastewright {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """From a board's fabrication files to a verified program that lays solder paste."""


@app.command()
def plan(
    source: Source,
    profile: ProfilePath,
    side: SideOption = SideName.TOP,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for the results [paste-plan-SIDE].")
    ] = None,
    dry: Annotated[
        bool, typer.Option("--dry", help="Same moves, plunger still, tip lifted: for the first run in air.")
    ] = False,
    layer: LayerOption = None,
    even_if_unverified: Annotated[
        bool,
        typer.Option("--even-if-unverified", help="Write the program although the verdict has findings."),
    ] = False,
) -> int:
    """Plan one side of a board: program, plan.json, pads.csv, board.svg and report.html."""
    from pastewright.cli.planning import plan_command

    return plan_command(
        source,
        profile,
        side=side.value,
        out=out or Path(f"paste-plan-{side.value}" + ("-dry" if dry else "")),
        dry=dry,
        layers=layer or [],
        even_if_unverified=even_if_unverified,
    )


@app.command()
def verify(
    program: Annotated[Path, typer.Argument(help="The program to read back.")],
    plan_file: Annotated[Path, typer.Option("--plan", help="The plan.json that it must carry out.")],
    profile: ProfilePath,
) -> int:
    """Read a program back, simulate it, and compare it with its plan."""
    from pastewright.cli.verifying import verify_command

    return verify_command(program, plan_file, profile)


@app.command()
def look(
    source: Source,
    side: Annotated[SidesName, typer.Option("--side", help="The side to show.")] = SidesName.BOTH,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for the pictures [no pictures].")
    ] = None,
    layer: LayerOption = None,
) -> int:
    """Show what was read: files and layers, pads by kind, what was left out, and a picture."""
    from pastewright.cli.looking import look_command

    return look_command(source, side=side.value, out=out, layers=layer or [])


@app.command()
def advise(
    source: Source, profile: ProfilePath, side: SideOption = SideName.TOP, layer: LayerOption = None
) -> int:
    """Say which tips, barrel, gearing and powder suit a board."""
    from pastewright.cli.advising import advise_command

    return advise_command(source, profile, side=side.value, layers=layer or [])


@app.command()
def tips(
    powder: Annotated[
        int | None, typer.Option("--powder", min=1, max=8, help="Only tips that pass this powder type.")
    ] = None,
) -> int:
    """List tips: bore, smallest dot, and the powder types they pass."""
    from pastewright.cli.tables import tips_command

    return tips_command(powder)


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for files and results.")] = Path(
        "demo-out"
    ),
) -> int:
    """Run the whole job on the demo board, a soil-moisture logger for greenhouses."""
    from pastewright.cli.demonstration import demo_command

    return demo_command(out)


PortOption = Annotated[
    str,
    typer.Option(
        "--port", metavar="PORT", help="Port or URL; sim:reprap and sim:cnc are virtual; file:NAME writes a file."
    ),
]
JournalOption = Annotated[
    Path | None, typer.Option("--journal", metavar="FILE", help="The journal [in the user's state folder].")
]
BaudOption = Annotated[int | None, typer.Option("--baud", min=300, help="Speed of the line [the profile's].")]
LotOption = Annotated[str, typer.Option("--lot", help="Lot of the paste, for the record.")]
OpenedOption = Annotated[
    str, typer.Option("--opened", metavar="WHEN", help='When the paste was opened: "2h" ago, or date and time.')
]
FillOption = Annotated[
    float | None,
    typer.Option("--fill-ul", min=0, help="Paste in the barrel when it was put in [the profile's fill]."),
]
NoteOption = Annotated[str, typer.Option("--note", help="A remark for the record.")]
YesOption = Annotated[bool, typer.Option("--yes", help="Answer every question with yes.")]


@app.command()
def ports() -> int:
    """List serial ports with what they are."""
    from pastewright.cli.journals import ports_command

    return ports_command()


@app.command()
def run(
    program: Annotated[Path, typer.Argument(help="The verified program.")],
    plan_file: Annotated[Path, typer.Option("--plan", help="The plan.json that was written with it.")],
    profile: ProfilePath,
    port: PortOption = "",
    dry: Annotated[
        bool, typer.Option("--dry", help="Tip in the air, plunger still: for the first run.")
    ] = False,
    from_pad: Annotated[
        str | None, typer.Option("--from", metavar="PAD", help="Begin with the deposit of this pad.")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="REF", help="Only this reference or pad, shell-style. Repeat."),
    ] = None,
    board: Annotated[
        int | None, typer.Option("--board", min=1, help="Number of the board [the next].")
    ] = None,
    yes: YesOption = False,
    journal: JournalOption = None,
    baud: BaudOption = None,
    lot: LotOption = "",
    opened: OpenedOption = "",
    fill_ul: FillOption = None,
    note: NoteOption = "",
    even_if_unverified: Annotated[
        bool, typer.Option("--even-if-unverified", help="Run the program although the verdict has findings.")
    ] = False,
) -> int:
    """Send a program to the controller, deposit by deposit, and keep the journal."""
    from pastewright.cli.running import Options, run_command

    return run_command(
        program,
        plan_file,
        profile,
        Options(
            port=port, baud=baud, journal=journal, yes=yes, lot=lot, opened=opened, note=note, fill_ul=fill_ul
        ),
        dry=dry,
        from_pad=from_pad,
        only=only or [],
        board_number=board,
        even_if_unverified=even_if_unverified,
    )


class InDoubtName(StrEnum):
    """What to do with deposits in doubt."""

    ASK = "ask"
    LEAVE = "leave"
    LAY = "lay"
    THERE = "there"


@app.command()
def resume(
    profile: ProfilePath,
    run_number: Annotated[
        int | None, typer.Argument(metavar="[RUN]", help="Run to go on with [the latest not finished].")
    ] = None,
    port: PortOption = "",
    in_doubt: Annotated[
        InDoubtName,
        typer.Option("--in-doubt", help="Deposits in doubt: ask, leave them, lay them, or they are there."),
    ] = InDoubtName.ASK,
    yes: YesOption = False,
    journal: JournalOption = None,
    baud: BaudOption = None,
    lot: LotOption = "",
    opened: OpenedOption = "",
    fill_ul: FillOption = None,
    note: NoteOption = "",
    even_if_running: Annotated[
        bool, typer.Option("--even-if-running", help="Go on although its process seems to be alive.")
    ] = False,
) -> int:
    """Go on with a board after a stop, a crash, a power cut or an unplugged cable."""
    from pastewright.cli.running import Options, resume_command

    return resume_command(
        run_number,
        profile,
        Options(
            port=port, baud=baud, journal=journal, yes=yes, lot=lot, opened=opened, note=note, fill_ul=fill_ul
        ),
        in_doubt=in_doubt.value,
        even_if_running=even_if_running,
    )


@app.command()
def runs(journal: JournalOption = None) -> int:
    """List what was run."""
    from pastewright.cli.journals import runs_command

    return runs_command(journal)


@app.command()
def report(
    run_number: Annotated[int, typer.Argument(metavar="RUN", help="Number of the run.")],
    journal: JournalOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File for the picture [beside the journal].")
    ] = None,
) -> int:
    """Tell all about a run, and draw which deposits are laid, in doubt, or to do."""
    from pastewright.cli.journals import report_command

    return report_command(run_number, journal, out)


@profile_app.command("new")
def profile_new(
    file: Annotated[Path, typer.Argument(help="The profile to write.")],
    base: Annotated[
        str | None, typer.Option("--from", metavar="EXAMPLE", help="Start from an example profile.")
    ] = None,
    values: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="SECTION.KEY=VALUE", help='A value, e.g. "tip.gauge=23". Repeat.'),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the file.")] = False,
) -> int:
    """Write a commented profile, by asking at a terminal or from --from and --set."""
    from pastewright.cli.profiles import new_command

    return new_command(file, base=base, values=values or [], force=force)


@profile_app.command("check")
def profile_check(file: Annotated[Path, typer.Argument(help="The profile to check.")]) -> int:
    """Check a profile: every wrong key, unit and range at once, then what the bench can do."""
    from pastewright.cli.profiles import check_command

    return check_command(file)


@profile_app.command("examples")
def profile_examples() -> int:
    """List the example profiles."""
    from pastewright.cli.profiles import examples_command

    return examples_command()
