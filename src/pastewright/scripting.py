"""The job for scripts: files to a board, a board to a plan, a plan to a verified program, photos to a tuned profile.

Lengths are mm, volumes µL, times s, pressures kPa; coordinates of a board count from its lower left corner, seen from
its own side, y up. Every function that is given something wrong raises `InputError`, whose `problems` say what is wrong,
where, and how to mend it, all of it at once. Values are immutable; nothing but the `write_…` functions writes a file.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pastewright.board.ask import Ask
from pastewright.board.model import Board, LayerRole, Side
from pastewright.board.read import read_board as board_of_files
from pastewright.deposit.model import Layout
from pastewright.dose.exposed import shrunk_openings
from pastewright.job.model import NO_JOB, Job
from pastewright.job.read import read_job
from pastewright.photo.file import read_photo
from pastewright.plan.pipeline import Plan
from pastewright.plan.pipeline import make_plan as plan_of_board
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile
from pastewright.profile.read import read_profile as profile_of_file
from pastewright.program.model import Program
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify as verdict_on
from pastewright.readback.model import Verdict
from pastewright.records.plan import PlanRecord, plan_of_text
from pastewright.report.results import write_results
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fit import fit_sheets
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.photo.read import parse_weighed
from pastewright.tune.photo.read import read_photos as measurements_of
from pastewright.tune.record.measurements import Measurements
from pastewright.tune.record.profile_update import tuning_entry, with_entry
from pastewright.tune.sheet.design import designed
from pastewright.tune.sheet.model import Sheet
from pastewright.tune.sheet.model import read_sheet as sheet_of_file
from pastewright.tune.sheet.model import write_sheet as sheet_to_file
from pastewright.tune.sheet.program import sheet_program, sheet_verdict
from pastewright.writing import write_text, writing

SOURCE_MEND = "Give the folder or zip that your design program wrote for the board maker."


def read_board(
    source: str | Path,
    *,
    side: str | Side = Side.TOP,
    layers: Mapping[str, str | LayerRole] | None = None,
    units: str = "",
    columns: str = "",
    cut_short: bool = False,
) -> Board:
    """Return one side of the board in a folder, zip or file of fabrication data.

    `layers` says what files are where their names do not: file name, or layer of a drawing, to a role such as
    "top paste" or "outline". `units` ("mm", "in", "mil") and `columns` ("x,y,diameter") speak for drawings and
    tables that are silent; `cut_short` uses a layer without its end word as it is. `board.problems` has what is odd but
    readable; `board.in_words` what the board is; `board.pads` are `Pad`s with their land,
    and the apertures over it, as shapely areas [mm, board]. Raises `InputError` for files that cannot be read.
    """
    path = Path(source)
    if not path.exists():
        raise one_error("there is no such file or folder", SOURCE_MEND, file=str(path))
    roles = {file: _role(file, role) for file, role in (layers or {}).items()}
    return board_of_files(
        path, Ask(side=_side(side), roles=roles, units=units, columns=columns, cut_short=cut_short)
    )


def read_profile(file: str | Path) -> Profile:
    """Return the profile of a bench, a TOML file; raises `InputError` with every wrong key, unit and range at once."""
    return profile_of_file(Path(file))


def make_plan(
    board: Board, profile: Profile, *, job: str | Path | Job | None = None, dry: bool = False
) -> Plan:
    """Return the plan of a board that lies in its corner of the bed, with its program and the verdict on it.

    `plan.doses` are µL per pad with their reasons, `plan.layout.deposits` the dots and beads [mm, board],
    `plan.program.text` the program, `plan.verdict` what the read-back found, `plan.record` the content of
    plan.json. `job` is a job file or `Job`; `dry` keeps the plunger still and the tip up. Raises `InputError` where no
    pad gets paste, or the bench cannot do it.
    """
    wishes = job if isinstance(job, Job) else NO_JOB if job is None else read_job(Path(job))
    return plan_of_board(shrunk_openings(board, profile.dose.shrink_mm), profile, job=wishes, dry=dry)


def verify(program: str, plan: Plan | PlanRecord | str | Path, profile: Profile) -> Verdict:
    """Return whether a program's text lays what a plan says, read back and simulated by code that did not write it.

    `plan` is a plan, its record, or the path of a plan.json. `verdict.ok` means no findings; a finding has its line, what
    is wrong, and by how much. Volumes [µL]: what left the tip is what the plunger swept less what is stored. A bad
    program is never an exception; raises `InputError` for a plan that contradicts itself.
    """
    if isinstance(plan, Plan):
        plan = plan.record
    name = "plan.json" if isinstance(plan, PlanRecord) else str(plan)
    record = plan if isinstance(plan, PlanRecord) else plan_of_text(_text(Path(plan)), file=name)
    return verdict_on(program, expected_from_plan(record, file=name), profile)


def write_program(made: "Plan | TuningSheet", file: str | Path, *, even_if_unverified: bool = False) -> Path:
    """Write the program of a plan or of a tuning sheet; returns its file.

    Raises `InputError` where the verdict has findings, unless `even_if_unverified`, and where nothing can be written.
    """
    if not made.verdict.ok and not even_if_unverified:
        raise one_error(
            f"the program is not verified: {made.verdict.findings[0].what}",
            "Look at the verdict's findings; even_if_unverified=True writes it all the same.",
            line=made.verdict.findings[0].line or None,
        )
    write_text(Path(file), made.program.text, what="the program", mend="Choose another file.")
    return Path(file)


def write_plan(plan: Plan, folder: str | Path) -> Path:
    """Write what `pastewright plan` writes: plan.json, pads.csv, board.svg, report.html, and a verified program.

    Returns the folder; raises `InputError` where it cannot be written.
    """
    write_results(plan, Path(folder), even_if_unverified=False)
    return Path(folder)


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningSheet:
    """A sheet of dots that tells a bench's constants, the program that lays it, and the verdict on that.

    `layout.deposits` are its dots and beads [mm, from the board's corner].
    """

    sheet: Sheet
    layout: Layout
    program: Program
    verdict: Verdict


def design_sheet(profile: Profile, *, name: str = "sheet", seed: int = 1) -> TuningSheet:
    """Return the sheet of dots that tells most about a bench; the same profile and seed give the same sheet.

    Takes about half a minute. Raises `InputError` where the bed has no room for it.
    """
    made = designed(profile, name=name, seed=seed)
    program = sheet_program(name, made.motions, made.layout, profile)
    verdict = sheet_verdict(program, made.layout, profile)
    return TuningSheet(sheet=made.sheet, layout=made.layout, program=program, verdict=verdict)


def read_sheet(file: str | Path) -> Sheet:
    """Return the sheet of a sheet.json; raises `InputError` for what is none."""
    return sheet_of_file(Path(file))


def write_sheet(sheet: Sheet, file: str | Path) -> Path:
    """Write a sheet.json, which its photos are read with; returns its file."""
    with writing("the sheet", Path(file), "Choose another file."):
        sheet_to_file(sheet, Path(file))
    return Path(file)


def read_photos(sheet: Sheet, photos: Sequence[str | Path], *, weighed: str = "") -> Measurements:
    """Return what photos (JPEG, PNG, HEIC) of a sheet show: diameter [mm] and its error per dot, or why it has none.

    `weighed` gives the scale, as "100 dots = 41.2 mg". A photo that cannot be used is a warning as long as another one
    can; raises `InputError` when none can, and when they do not show the same sheet.
    """
    loaded = [read_photo(Path(photo)) for photo in photos]
    return measurements_of(sheet, loaded, parse_weighed(weighed) if weighed else None)


def fit(
    sheets: Sequence[tuple[Sheet, Measurements]], profile: Profile, *, shape_stated: bool = False
) -> Fitted:
    """Return the plunger's constants that explain the sheets, each with its 95 % interval.

    The profile must be the one that they were laid with. `fitted.estimates` have name, unit, value, low, high;
    `fitted.spread` is what two thirds of the volumes stay within of the model [-]. `shape_stated`: the
    profile's shape ratio of dots was measured, so that it gives the scale.
    """
    evidence = [Evidence(sheet, measured, profile) for sheet, measured in sheets]
    return fit_sheets(evidence, profile, shape_stated=shape_stated)


def tuned(
    profile_file: str | Path, fitted: Fitted, *, sheets: Sequence[str] = (), dated: str = "", lot: str = ""
) -> Profile:
    """Return the profile of a file as a fit corrects it, and write the fit into the file as a further trial.

    `dated` is the trial's day, as 2025-03-14 [today]; `sheets` are the names to record. Nothing else in the file changes.
    """
    path = Path(profile_file)
    entry = tuning_entry(
        fitted,
        profile_of_file(path),
        dated=dated or date.today().isoformat(),
        sheets=sheets,
        lot=lot,
        scale="weighed" if fitted.weighed else "travel",
    )
    text = with_entry(_text(path), entry)
    profile = parse_profile(text, str(path))
    write_text(path, text, what="the profile", mend="Choose another file.")
    return profile


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"it cannot be read: {error.strerror or error}", "Check the name.", file=str(path)
        ) from None
    except UnicodeDecodeError:
        raise one_error("it is not UTF-8 text", "Check the name.", file=str(path)) from None


def _side(side: str | Side) -> Side:
    try:
        return Side(side)
    except ValueError:
        raise one_error(f"{side!r} is no side", f"Sides are: {', '.join(Side)}.") from None


def _role(file: str, role: str | LayerRole) -> LayerRole:
    try:
        return LayerRole(role)
    except ValueError:
        raise one_error(
            f"{role!r} is no role of a layer", f"Roles are: {', '.join(LayerRole)}.", file=file
        ) from None
