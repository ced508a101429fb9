"""Planning for the page, in a worker process: the same calls as `pastewright plan`, and their outcome to look at."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pastewright.board.model import Board
from pastewright.board.read import source_sha256
from pastewright.dose.exposed import shrunk_openings
from pastewright.job.model import NO_JOB, Job
from pastewright.job.read import read_job
from pastewright.page.board_view import AskedBoard, board_asked
from pastewright.page.plan_view import plan_view_text
from pastewright.page.play_view import play_view_text
from pastewright.place.transform import Placements
from pastewright.place.tray.document import placement_for
from pastewright.plan.pipeline import STAGES, Decided, decide, judged
from pastewright.problems import one_error
from pastewright.profile.edit import with_values
from pastewright.profile.keys import Value
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile, toml_text
from pastewright.program.dialects import PROGRAM_ENDINGS
from pastewright.records.plan import PlanRecord, read_plan
from pastewright.report.results import PROGRAM_STEM, judge_and_write
from pastewright.work.legend import keep_legend


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedPlan:
    """What is to be planned: a board on a bench, its job and its place, and values that the bench is to have instead."""

    board: AskedBoard
    bench: Path
    job: Path | None = None
    placement: Path | None = None
    dry: bool = False
    values: Mapping[str, Value] = field(default_factory=dict)


def plan_into(asked: AskedPlan, folder: Path, tell: Callable[[str, int, int], None]) -> str:
    """Plan, write the results into a folder, and return what became of it in a sentence; raises `InputError`."""
    begin = _stages(tell)
    decided = _decided(asked, begin)
    plan, program = judge_and_write(decided, folder, even_if_unverified=False, on_stage=begin)
    keep_legend(asked.board.source, decided.board, asked.board.ask(), folder)
    count = len(plan.layout.deposits)
    if program is None:
        return f"{count} deposits were planned; the program is not written, since its verdict has findings."
    return f"{count} deposits are planned, and the program is verified."


def what_if_view(asked: AskedPlan, tell: Callable[[str, int, int], None]) -> bytes:
    """Return the view of a plan with the bench's values changed; nothing is written."""
    begin = _stages(tell)
    plan = judged(_decided(asked, begin), on_stage=begin)
    return plan_view_text(plan.record, stale=[], run=_profile(asked).run)


def kept_view(folder: Path, asked: AskedPlan | None, tell: Callable[[str, int, int], None]) -> bytes:
    """Return the view of the plan in a folder, with what has changed since it was made."""
    tell("reading", 0, 2)
    record = read_plan(folder / "plan.json")
    tell("picture", 1, 2)
    stale, run = [], None
    if asked is not None:
        profile = _profile(asked)
        run = profile.run
        if profile.sha256 != record.profile.sha256:
            stale.append("the bench was changed since")
        if (read_job(asked.job).sha256 if asked.job else "") != record.job_sha256:
            stale.append("the job was changed since")
        if files_changed(asked.board.source, record):
            stale.append("the board's files were changed since")
    if not _program(folder):
        stale.append("no program was written")
    return plan_view_text(record, stale=stale, run=run)


def files_changed(source: Path, record: PlanRecord) -> bool:
    """Tell whether a zip or file is another one now; a folder may hold the job and what was planned, too."""
    return source.is_file() and source_sha256(source) != record.board.inputs_sha256


def play_view(folder: Path, bench: Path, tell: Callable[[str, int, int], None]) -> bytes:
    """Return where the tip is and what presses behind it, over the time of a folder's program, read back from its text."""
    tell("reading the program", 0, 2)
    file = _program(folder)
    if file is None:
        raise one_error("no program was written with this plan", "Plan anew; its verdict says what is wrong.")
    text = file.read_text(encoding="utf-8")
    record = read_plan(folder / "plan.json")
    tell("running it", 1, 2)
    profile = parse_profile(_bench_text(bench), str(bench))
    return play_view_text(text, record, profile)


def _stages(tell: Callable[[str, int, int], None]) -> Callable[[str], None]:
    return lambda stage: tell(stage, STAGES.index(stage) if stage in STAGES else 0, len(STAGES))


def _decided(asked: AskedPlan, begin: Callable[[str], None]) -> Decided:
    begin("reading")
    profile = _profile(asked)
    board = shrunk_openings(board_asked(asked.board), profile.dose.shrink_mm)
    return decide(
        board, profile, dry=asked.dry, placements=_placed(asked, board), job=_job(asked), on_stage=begin
    )


def _placed(asked: AskedPlan, board: Board) -> Placements | None:
    return None if asked.placement is None else placement_for(asked.placement, board)


def _job(asked: AskedPlan) -> Job:
    return NO_JOB if asked.job is None else read_job(asked.job)


def _bench_text(path: Path) -> str:
    return toml_text(path, "profile", "Give the bench's .toml file.", "Make one under Bench.")


def _profile(asked: AskedPlan) -> Profile:
    text = _bench_text(asked.bench)
    if asked.values:
        text = with_values(text, asked.values, file=str(asked.bench))
    return parse_profile(text, str(asked.bench))


def _program(folder: Path) -> Path | None:
    return next(
        (file for ending in PROGRAM_ENDINGS if (file := folder / f"{PROGRAM_STEM}{ending}").is_file()),
        None,
    )
