"""What a person wants of a batch, entered in the journal: programs, barrel, serials and what stands on the other side."""

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from pastewright.link.barrels import BarrelEvent, barrel_named, enter
from pastewright.link.batch import BatchRow, begin_batch
from pastewright.link.companions import companion_of
from pastewright.link.conduct import unix_s
from pastewright.link.journal import Journal
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.records.kinds import ProgramKind
from pastewright.records.plan import PlanRecord
from pastewright.work.options import Sending
from pastewright.work.running.asking import show_job
from pastewright.work.running.choice import program_meant
from pastewright.work.running.sending import Loaded, loaded


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchWish:
    """What the person wants of a batch."""

    program: Path | None
    second: Path | None
    boards: int
    zones: tuple[str, ...]
    go_on: int | None
    name: str
    serials: str
    witness: bool
    temperature_c: float | None


def _serials(form: str, boards: int) -> list[str]:
    if "{" not in form:
        names = [name.strip() for name in form.split(",") if name.strip()]
        if len(names) != boards:
            raise one_error(
                f"--serials names {len(names)} boards, --boards says {boards}", "Give each board one name."
            )
        return names
    try:
        return [form.format(number) for number in range(1, boards + 1)]
    except (ValueError, IndexError, KeyError):
        raise one_error(f"--serials {form!r} is no form", 'Write for instance "GH-{:03d}".') from None


def _zones(words: Collection[str]) -> list[dict[str, float]]:
    zones = []
    for word in words:
        try:
            x0, y0, x1, y1, height = (float(part) for part in word.split(","))
        except ValueError:
            raise one_error(f"--zone {word!r} is not X0,Y0,X1,Y1,HEIGHT", "Five numbers in mm.") from None
        zones.append(
            {
                "x_from_mm": min(x0, x1),
                "x_to_mm": max(x0, x1),
                "y_from_mm": min(y0, y1),
                "y_to_mm": max(y0, y1),
                "height_mm": height,
            }
        )
    return zones


def begun_batch(journal: Journal, wanted: BatchWish, profile: Profile, sending: Sending) -> BatchRow:
    """Enter a new batch: its programs, barrel and serials."""
    assert wanted.program is not None
    if not sending.barrel:
        raise one_error(
            "a batch needs to know which barrel is in the machine",
            "Enter it once (pastewright barrel new NAME --fill-ul 2500), then name it: --barrel NAME.",
        )
    barrel = barrel_named(journal, sending.barrel)
    if barrel.opened_at is None:
        enter(journal, barrel, BarrelEvent.OPENED, now_s=unix_s())
    programs: dict[str, Loaded] = {}
    for path in (wanted.program, wanted.second):
        if path is None:
            continue
        given = loaded(program_meant(path), companion_of(program_meant(path)), profile)
        if not isinstance(given.companion, PlanRecord):
            raise one_error("a batch is of boards", "`pastewright run` lays a sheet.", file=str(path))
        if given.companion.kind is not ProgramKind.BOARD:
            raise one_error(
                f"this program is a {given.companion.kind}, for one board that stands there already",
                "`pastewright run` lays it.",
                file=str(path),
            )
        if str(given.job.side) in programs:
            raise one_error(
                f"both programs are of the {given.job.side} side", "Give one of each side.", file=str(path)
            )
        programs[str(given.job.side)] = given
    for given in programs.values():
        journal.keep_program(given.text, name=given.name, companion=given.companion)
    sides = list(programs)
    first = programs[sides[0]]
    show_job(first.job, {laid.id for laid in first.job.deposits}, first.name, 1, first.companion, profile)
    return begin_batch(
        journal,
        name=wanted.name or first.job.board,
        serials=_serials(wanted.serials, wanted.boards),
        sides=sides,
        settings={
            "name": first.name,
            "sides": sides,
            "programs": {side: given.job.sha256 for side, given in programs.items()},
            "zones": {sides[-1]: _zones(wanted.zones)},
            "rows_a_card": profile.run.card_rows,
            "pitch_mm": profile.run.card_pitch_mm,
            "find": profile.run.find,
            "witness": wanted.witness,
            "barrel": sending.barrel,
            "port": sending.port,
            "profile_sha256": profile.sha256,
            "profile": Path(profile.file).read_text("utf-8") if profile.file else "",
            "temperature_c": wanted.temperature_c,
        },
        now_s=unix_s(),
    )
