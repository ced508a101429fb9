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
job_app = typer.Typer(
    help="Write and check the job file of a board.", no_args_is_help=True, rich_markup_mode=None
)
app.add_typer(job_app, name="job")
tune_app = typer.Typer(
    help="Lay a sheet of dots, read its photo, and fit the plunger's constants.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(tune_app, name="tune")


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
JobOption = Annotated[
    Path | None, typer.Option("--job", help="The job file [job.toml beside the design, if there is one].")
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
    side: Annotated[
        SideName | None, typer.Option("--side", help="The side to paste [the job's, else top].")
    ] = None,
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
    placement: Annotated[
        Path | None,
        typer.Option("--placement", help="Where the board lies: placement.json [the bed's corner]."),
    ] = None,
    tray: Annotated[Path | None, typer.Option("--tray", help="Several boards: a tray, a TOML file.")] = None,
    units: UnitsOption = "",
    columns: ColumnsOption = "",
    job: JobOption = None,
) -> int:
    """Plan one side of a board: program, plan.json, pads.csv, board.svg and report.html."""
    from pastewright.cli.planning import plan_command

    return plan_command(
        source,
        profile,
        side=side.value if side is not None else None,
        out=out,
        dry=dry,
        layers=layer or [],
        even_if_unverified=even_if_unverified,
        placement=placement,
        tray=tray,
        units=units,
        columns=columns,
        job_path=job,
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
    units: UnitsOption = "",
    columns: ColumnsOption = "",
) -> int:
    """Show what was read: files and layers, pads by kind, what was left out, and a picture."""
    from pastewright.cli.looking import look_command

    return look_command(source, side=side.value, out=out, layers=layer or [], units=units, columns=columns)


@app.command()
def advise(
    source: Source,
    profile: ProfilePath,
    side: SideOption = SideName.TOP,
    layer: LayerOption = None,
    units: UnitsOption = "",
    columns: ColumnsOption = "",
) -> int:
    """Say which tips, barrel, gearing and powder suit a board."""
    from pastewright.cli.advising import advise_command

    return advise_command(source, profile, side=side.value, layers=layer or [], units=units, columns=columns)


@app.command()
def compare(
    old: Annotated[Path, typer.Argument(metavar="A", help="The board as it was: folder, zip or file.")],
    new: Annotated[Path, typer.Argument(metavar="B", help="The board as it is now.")],
    profile: Annotated[
        Path | None,
        typer.Option("--profile", "-p", help="The bench, to compare doses [without: paste areas]."),
    ] = None,
    side: SideOption = SideName.TOP,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File for the picture, an SVG [no picture].")
    ] = None,
    layer: LayerOption = None,
    units: UnitsOption = "",
    columns: ColumnsOption = "",
) -> int:
    """Say what changed between two revisions of a board as far as paste is concerned."""
    from pastewright.cli.comparing import compare_command

    return compare_command(
        old, new, profile, side=side.value, out=out, layers=layer or [], units=units, columns=columns
    )


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
        "--port",
        metavar="PORT",
        help="Port or URL; sim:reprap and sim:cnc are virtual; file:NAME writes a file.",
    ),
]
JournalOption = Annotated[
    Path | None, typer.Option("--journal", metavar="FILE", help="The journal [in the user's state folder].")
]
BaudOption = Annotated[int | None, typer.Option("--baud", min=300, help="Speed of the line [the profile's].")]
LotOption = Annotated[str, typer.Option("--lot", help="Lot of the paste, for the record.")]
OpenedOption = Annotated[
    str,
    typer.Option("--opened", metavar="WHEN", help='When the paste was opened: "2h" ago, or date and time.'),
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
    from pastewright.cli.run_choice import Options
    from pastewright.cli.running import run_command

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
    from pastewright.cli.run_choice import Options
    from pastewright.cli.running import resume_command

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


@app.command()
def register(
    source: Source,
    profile: ProfilePath,
    at: Annotated[
        list[str] | None,
        typer.Option(
            "--at",
            metavar="WHAT=X,Y",
            help="Where a fiducial (F1), corner (LL), pad or X,Y was found. Repeat.",
        ),
    ] = None,
    points: Annotated[
        Path | None, typer.Option("--points", help="Found points and probed heights: TOML, CSV or a log.")
    ] = None,
    probe_at: Annotated[
        list[str] | None, typer.Option("--probe", metavar="X,Y,Z", help="A probed height. Repeat.")
    ] = None,
    port: Annotated[
        str | None,
        typer.Option("--port", help="Ask the controller where it stands: serial port, URL or sim:NAME."),
    ] = None,
    find: Annotated[
        list[str] | None,
        typer.Option(
            "--find", metavar="NAME", help="With --port: a point to be found [all fiducials]. Repeat."
        ),
    ] = None,
    by: Annotated[str, typer.Option("--by", help="What the points were found with: tip or camera.")] = "tip",
    fit: Annotated[str, typer.Option("--fit", help="auto, rigid, similarity or affine.")] = "auto",
    turned: Annotated[str, typer.Option("--turned", help="How the board was put in: degrees, or any.")] = "0",
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The machine's axes are left-handed.")] = False,
    limit_mm: Annotated[
        float, typer.Option("--limit", min=0.001, max=5, help="Largest residual of a point [mm].")
    ] = 0.1,
    found_to_mm: Annotated[
        float, typer.Option("--found-to", min=0.0001, max=5, help="How well a coordinate is found [mm].")
    ] = 0.02,
    side: SideOption = SideName.TOP,
    layer: LayerOption = None,
    out: Annotated[Path, typer.Option("--out", "-o", help="The placement to write.")] = Path(
        "placement.json"
    ),
) -> int:
    """Find where a board lies from its fiducials, and how high from probed points; write placement.json."""
    from pastewright.cli.placing import register_command
    from pastewright.problems import one_error

    if by not in ("tip", "camera"):
        raise one_error(f"--by {by!r} is not known", "Say tip or camera.")
    return register_command(
        source,
        profile,
        side=side.value,
        layers=layer or [],
        at=at or [],
        points=points,
        probes=probe_at or [],
        by_camera=by == "camera",
        fit=fit,
        turned=turned,
        mirrored=mirrored,
        limit_mm=limit_mm,
        found_to_mm=found_to_mm,
        port=port,
        find=find or [],
        out=out,
    )


@app.command()
def probe(
    source: Source,
    profile: ProfilePath,
    placement: Annotated[
        Path | None, typer.Option("--placement", help="Where the board lies [the bed's corner].")
    ] = None,
    grid: Annotated[str, typer.Option("--grid", metavar="COLUMNSxROWS", help="Places to probe.")] = "3x3",
    keep_out: Annotated[
        list[str] | None,
        typer.Option(
            "--keep-out",
            metavar="X0,Y0,X1,Y1[,HEIGHT]",
            help="A tall part on the board: two corners and its height [mm]. Repeat.",
        ),
    ] = None,
    side: SideOption = SideName.TOP,
    layer: LayerOption = None,
    out: Annotated[Path, typer.Option("--out", "-o", help="The program to write.")] = Path("probe"),
) -> int:
    """Write a program that probes the board's height, round its tall parts."""
    from pastewright.cli.probing import probe_command

    return probe_command(
        source,
        profile,
        side=side.value,
        layers=layer or [],
        placement=placement,
        grid=grid,
        keep_outs=keep_out or [],
        out=out,
    )


@app.command()
def locate(
    photo: Annotated[Path | None, typer.Argument(help="A camera frame (PNG, JPEG).")] = None,
    camera: Annotated[
        str | None, typer.Option("--camera", help="Number of a USB camera, instead of a photo.")
    ] = None,
    profile: Annotated[Path | None, typer.Option("--profile", "-p", help="The bench, for [camera].")] = None,
    mm_per_px: Annotated[float | None, typer.Option("--scale", help="Size of a pixel [mm].")] = None,
    kind: Annotated[str | None, typer.Option("--kind", help="round, square, cross or ring [any].")] = None,
    size_mm: Annotated[
        float | None, typer.Option("--size", min=0.01, max=100, help="Size of the mark [mm, any].")
    ] = None,
    head: Annotated[
        str | None,
        typer.Option("--head", metavar="X,Y", help="Where the machine was; prints places on the machine."),
    ] = None,
) -> int:
    """Find fiducials in a camera frame, with centres finer than a pixel."""
    from pastewright.cli.placing import locate_command

    return locate_command(
        photo,
        camera=camera,
        profile_path=profile,
        mm_per_px=mm_per_px,
        kind=kind,
        size_mm=size_mm,
        head=head,
    )


@app.command("camera-offset")
def camera_offset(
    touch: Annotated[
        list[str] | None,
        typer.Option(
            "--touch", metavar="X,Y", help="Where the machine was when the tip touched a spot. Repeat."
        ),
    ] = None,
    look: Annotated[
        list[str] | None,
        typer.Option("--look", metavar="X,Y", help="And when the cross-hair was on the same spot. Repeat."),
    ] = None,
) -> int:
    """Work out the camera's offset from the tip: touch a dot, look at the dot."""
    from pastewright.cli.placing import camera_offset_command

    return camera_offset_command(touch or [], look or [])


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


@job_app.command("new")
def job_new(
    source: Source,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="The file to write [job.toml beside the design].")
    ] = None,
    side: SideOption = SideName.TOP,
    layer: LayerOption = None,
    units: UnitsOption = "",
    columns: ColumnsOption = "",
    force: Annotated[bool, typer.Option("--force", help="Overwrite the file.")] = False,
) -> int:
    """Write a commented job file for a board."""
    from pastewright.cli.jobs import new_command

    return new_command(
        source, out, side=side.value, layers=layer or [], units=units, columns=columns, force=force
    )


@job_app.command("check")
def job_check(file: Annotated[Path, typer.Argument(help="The job file to check.")]) -> int:
    """Check a job file: every wrong key, unit and range at once."""
    from pastewright.cli.jobs import check_command

    return check_command(file)


@tune_app.command("sheet")
def tune_sheet(
    profile: ProfilePath,
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder for the results.")] = Path("tuning-sheet"),
    name: Annotated[str, typer.Option("--name", help="What the sheet is called.")] = "sheet",
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another number gives another order.")] = 1,
) -> int:
    """Design a sheet of dots for this bench: its verified program, sheet.json and a picture."""
    from pastewright.cli.tuning_sheet import tune_sheet_command

    return tune_sheet_command(profile, out=out, name=name, seed=seed)


@tune_app.command("read")
def tune_read(
    sheet: Annotated[Path, typer.Argument(help="The sheet.json that was written with the sheet.")],
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO...", help="Photos of it: JPEG, PNG or HEIC.")
    ],
    weighed: Annotated[
        str, typer.Option("--weighed", metavar="WORDS", help='A weighing, such as "100 dots = 41.2 mg".')
    ] = "",
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for dots.csv and pictures [the sheet's].")
    ] = None,
) -> int:
    """Measure the dots on photos of a sheet: dots.csv and a picture of what was measured."""
    from pastewright.cli.tuning_read import tune_read_command

    return tune_read_command(sheet, photos, weighed=weighed, out=out)


@tune_app.command("fit")
def tune_fit(
    folders: Annotated[
        list[Path], typer.Argument(metavar="FOLDER...", help="Folders with sheet.json and dots.csv.")
    ],
    profile: ProfilePath,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for fit.json and the plot [the first sheet's].")
    ] = None,
    date: Annotated[str, typer.Option("--date", help="Day of the trial, as 2025-03-14 [today].")] = "",
    lot: Annotated[str, typer.Option("--lot", help="Lot of the paste.")] = "",
    temperature: Annotated[
        float | None, typer.Option("--temperature", min=-20, max=80, help="Temperature of the paste [°C].")
    ] = None,
    shape_stated: Annotated[
        bool,
        typer.Option(
            "--shape-stated", help="The profile's dot_shape_ratio was measured: it gives the scale."
        ),
    ] = False,
    smallest_dose: Annotated[
        float | None,
        typer.Option("--smallest-dose", min=0.0001, max=100, help="Smallest dose that you need [µL]."),
    ] = None,
    no_write: Annotated[bool, typer.Option("--no-write", help="Leave the profile as it is.")] = False,
) -> int:
    """Fit the plunger's constants to sheets that were read, say what to change, write them into the profile."""
    from datetime import date as day

    from pastewright.cli.tuning_fit import tune_fit_command

    return tune_fit_command(
        folders,
        profile,
        out=out,
        dated=date or day.today().isoformat(),
        lot=lot,
        temperature_c=temperature,
        shape_stated=shape_stated,
        smallest_ul=smallest_dose,
        write=not no_write,
    )


@tune_app.command("history")
def tune_history(
    profile: ProfilePath,
    out: Annotated[Path | None, typer.Option("--out", "-o", help="Folder for the plot [no plot].")] = None,
) -> int:
    """List what earlier sheets taught, and which of it holds; with --out plot how it drifts."""
    from pastewright.cli.tuning_fit import tune_history_command

    return tune_history_command(profile, out=out)
