"""Board and profile in, verified plan out: each stage once, in order, nothing flowing back."""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import partial
from pathlib import PurePath

from pastewright.board.model import Board
from pastewright.deposit.lay import lay
from pastewright.deposit.model import Layout
from pastewright.dose.doses import dose_board
from pastewright.dose.model import Dose
from pastewright.job.model import NO_JOB, Job
from pastewright.meanwhile import meanwhile
from pastewright.motion.around import around
from pastewright.motion.aside import card_places, with_strip
from pastewright.motion.dry import dry as dry_motions
from pastewright.motion.faults import check_fits
from pastewright.motion.levels import levels_of
from pastewright.motion.model import Motions
from pastewright.motion.plan import motions_over
from pastewright.place.transform import Placements, on_bed
from pastewright.place.tray.located import located
from pastewright.place.tray.tour import placed_tour
from pastewright.plan.document import plan_record, problem_text, with_verdict
from pastewright.plan.floor import floor_of
from pastewright.plan.jobs import (
    blocked_on,
    check_job,
    forms_of,
    turns_of,
    warnings_of,
)
from pastewright.plan.nearest import with_nearest
from pastewright.plan.thrown import afternoon_words, trip_labels
from pastewright.plan.tolerances import told_tolerances, tolerances_of
from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.problems import Severity, one_error
from pastewright.profile.doubts import profile_warnings
from pastewright.profile.model import Profile
from pastewright.program.model import Header, Program
from pastewright.program.write import write_program
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import case_of, verdict_of
from pastewright.readback.judge.whatif import WhatIf, what_if
from pastewright.readback.model import Verdict
from pastewright.records.plan import PlanRecord
from pastewright.route.model import Tour
from pastewright.uncollected import uncollected
from pastewright.version import __version__

STAGES = (
    "reading",
    "doses",
    "deposits",
    "order",
    "motions",
    "program",
    "tolerance",
    "verdict",
    "what if",
    "report",
)
"""What a face tells while it plans; the first and the last are its own."""

# Enough for the spread, and small beside the verdict itself on a large board.
WHAT_IF_DEPOSITS = 400


MANY_DEPOSITS = 500
"""From so many on a second process takes its part (`meanwhile`): below, what it would do takes as long as beginning it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """Everything that was decided for one side of one board; its program is not yet judged, and `record` says so."""

    board: Board
    profile: Profile
    doses: tuple[Dose, ...]
    layout: Layout
    tour: Tour
    motions: Motions
    program: Program
    bench: PlungerBench
    record: PlanRecord
    placements: Placements


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan(Decided):
    """Everything that was decided, and the verdict on the program, which `record` has as well."""

    verdict: Verdict
    scenarios: tuple[WhatIf, ...]


def _silent(_stage: str) -> None:
    return


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """What is decided before anything is known of a machine's coordinates: doses and deposits of a board."""

    board: Board
    doses: tuple[Dose, ...]
    layout: Layout
    warnings: tuple[str, ...]


@uncollected()
def prepare(
    board: Board, profile: Profile, *, job: Job = NO_JOB, on_stage: Callable[[str], None] = _silent
) -> Prepared:
    """Return doses and deposits of a board; raises `InputError` when no pad gets paste, or the job does not fit."""
    check_job(job, board)
    check_fits(board.size_mm, profile)
    on_stage("doses")
    doses = dose_board(
        board,
        profile.dose,
        profile.paste,
        job=job,
        bead_shape_ratio=profile.tuning.bead_shape_ratio,
    )
    on_stage("deposits")
    layout = lay(
        board,
        doses.doses,
        tip=profile.tip,
        paste=profile.paste,
        tuning=profile.tuning,
        settings=profile.deposit,
        wishes=forms_of(job, board),
    )
    if not layout.deposits:
        raise one_error(
            f"no pad of the {board.side} side gets paste",
            "Look at the reasons with `pastewright look`; choose the other side with --side, or mend the"
            " dose rules of the profile.",
            file=board.name,
        )
    warnings = (*warnings_of(job, board), *doses.warnings)
    return Prepared(board=board, doses=doses.doses, layout=layout, warnings=warnings)


def make_plan(
    board: Board,
    profile: Profile,
    *,
    dry: bool = False,
    placements: Placements | None = None,
    job: Job = NO_JOB,
    on_stage: Callable[[str], None] = _silent,
) -> Plan:
    """Return the verified plan of a board on a bench, lying where `placements` say (one board; else the bed's corner).

    `dry` keeps the plunger still and the tip lifted. `on_stage` is told the name of each stage as it begins.
    Raises `InputError` when no pad gets paste.
    """
    decided = decide(board, profile, dry=dry, placements=placements, job=job, on_stage=on_stage)
    return judged(decided, on_stage=on_stage)


def decide(
    board: Board,
    profile: Profile,
    *,
    dry: bool = False,
    placements: Placements | None = None,
    job: Job = NO_JOB,
    on_stage: Callable[[str], None] = _silent,
) -> Decided:
    """Return what `make_plan` does, not yet judged."""
    prepared = prepare(board, profile, job=job, on_stage=on_stage)
    return decide_prepared(prepared, profile, dry=dry, placements=placements, job=job, on_stage=on_stage)


@uncollected()
def decide_prepared(
    prepared: Prepared,
    profile: Profile,
    *,
    dry: bool = False,
    placements: Placements | None = None,
    job: Job = NO_JOB,
    on_stage: Callable[[str], None] = _silent,
) -> Decided:
    """Return the program of deposits already laid out, and all that led to it; of a tray they are those of all boards."""
    board, layout = prepared.board, prepared.layout
    where = placements or on_bed(profile.bed)
    on_stage("order")
    zones = blocked_on(job, where, board.size_mm)
    profile = with_strip(profile, where, board.size_mm, zones)
    there = located(layout, where)
    levels = levels_of(there.layout.deposits, profile)
    tour = placed_tour(there, profile, turns_of(job, board), levels.classes)
    on_stage("motions")
    floor = floor_of(board, layout, zones, boards=len(where.boards))
    card = partial(card_places, profile, where, board.size_mm, zones)
    motions = around(motions_over(there, tour, profile, levels, floor=floor, card=card), zones, profile)
    if dry:
        motions = dry_motions(motions, profile)
    on_stage("program")
    many = len(layout.deposits) >= MANY_DEPOSITS
    with meanwhile(partial(tolerances_of, motions, layout.deposits, profile), worth=many) as tolerances:
        program = write_program(
            motions,
            profile,
            _header(board, profile, layout, motions, job),
            {**labels_of(layout), **trip_labels(motions.away)},
        )
        record = plan_record(
            board=board,
            profile=profile,
            doses=prepared.doses,
            layout=layout,
            tour=tour,
            motions=motions,
            program=program,
            warnings=_warnings(prepared, profile, motions, where),
            placements=where,
            job=job,
        )
        on_stage("tolerance")
        record = told_tolerances(record, tolerances(), profile)
    return Decided(
        board=board,
        profile=profile,
        doses=prepared.doses,
        layout=layout,
        tour=tour,
        motions=motions,
        program=program,
        placements=where,
        bench=bench_of(profile),
        record=with_nearest(record, motions, layout),
    )


def finish_plan(
    prepared: Prepared, profile: Profile, *, dry: bool = False, placements: Placements | None = None
) -> Plan:
    """Return the verified plan of deposits already laid out, as `decide_prepared` decides it."""
    return judged(decide_prepared(prepared, profile, dry=dry, placements=placements))


@uncollected()
def judged(decided: Decided, *, on_stage: Callable[[str], None] = _silent) -> Plan:
    """Return what was decided with the verdict of the read-back on its program."""
    on_stage("verdict")
    expected = expected_from_plan(decided.record)
    seen = case_of(decided.program.text, expected, decided.profile)
    verdict = verdict_of(seen)
    on_stage("what if")
    scenarios = () if decided.motions.dry else what_if(seen, most_deposits=WHAT_IF_DEPOSITS)
    own = {field.name: getattr(decided, field.name) for field in fields(Decided)}
    own["record"] = with_verdict(decided.record, verdict)
    return Plan(**own, verdict=verdict, scenarios=scenarios)


def _header(board: Board, profile: Profile, layout: Layout, motions: Motions, job: Job) -> Header:
    return Header(
        board=board.name,
        side=str(board.side),
        profile=profile.name,
        paste=profile.paste.name,
        tip=tip_words(profile),
        paste_ul=sum(deposit.volume_ul for deposit in layout.deposits),
        machine_s=motions.machine_s,
        deposits=len(layout.deposits),
        pads=sum(1 for plan in layout.pads if plan.deposits),
        inputs_sha256=board.inputs_sha256,
        profile_sha256=profile.sha256,
        job_sha256=job.sha256,
        version=__version__,
    )


def tip_words(profile: Profile) -> str:
    """Return the tip as people name it: gauge where it has one, bore and length."""
    gauge = f"{profile.tip.gauge}G, " if profile.tip.gauge is not None else ""
    return f"{gauge}bore {profile.tip.bore_mm:g} mm, length {profile.tip.length_mm:g} mm"


def labels_of(layout: Layout) -> dict[int, str]:
    """Return the comment of each deposit in a program, by its index."""
    labels = {}
    for deposit in layout.deposits:
        names = [share.pad_id for share in deposit.shares]
        shown = " ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
        labels[deposit.index] = f"{shown} {deposit.kind} {deposit.volume_ul:.4f} uL"
    return labels


def _warnings(prepared: Prepared, profile: Profile, motions: Motions, where: Placements) -> list[str]:
    board, layout = prepared.board, prepared.layout
    reading = [problem_text(problem) for problem in board.problems if problem.severity is not Severity.NOTE]
    placed = [words for one in where.boards for words in one.warnings]
    # The file's name without its folders: a plan is the same wherever it was made.
    own_name = PurePath(profile.file).name
    bench = [problem_text(replace(problem, file=own_name)) for problem in profile_warnings(profile)]
    afternoon = [words for words in [afternoon_words(motions.away, profile)] if words]
    return [*reading, *prepared.warnings, *layout.warnings, *motions.warnings, *afternoon, *placed, *bench]
