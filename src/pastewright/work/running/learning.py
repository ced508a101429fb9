"""The witness row of a board between two boards: measured, understood, asked about; and the bench as it taught it.

What a row taught lies in the journal and nowhere else, so that a batch that goes on another day has it. A profile that
was changed meanwhile knows better: what was learned with another one is left aside.
"""

from dataclasses import replace

from pastewright.learn.belief import Belief, aged
from pastewright.learn.board import change_of_board
from pastewright.learn.kept import belief_data, belief_of_data, believed, row_of
from pastewright.learn.row import witness_row
from pastewright.learn.update import Learned, RowAnswer, learned
from pastewright.link.barrels import BarrelEvent
from pastewright.link.conduct import unix_s
from pastewright.link.journal import Journal
from pastewright.link.taught import TaughtKind, TaughtRow, taught, teach
from pastewright.link.weave import WITNESS_REF
from pastewright.plan.again import WORTH
from pastewright.profile.model import Profile, WhenToLearn
from pastewright.records.plan import PlanRecord
from pastewright.records.sheet import SheetRecord
from pastewright.tune.fit.constants import with_constants
from pastewright.work.running.board_laid import Asker, BoardLaid

HOUR_S = 3600.0


def as_learned(profile: Profile, journal: Journal, batch: int) -> Profile:
    """Return the profile with what the rows of a batch taught."""
    last = _last(journal, batch, profile)
    return (
        profile if last is None else with_constants(profile, belief_of_data(last.record["belief"]).constants)
    )


def learn_row(asker: Asker, laid: BoardLaid) -> None:
    """Take in what was measured of a board's row, say what it means, and keep what the person agrees to."""
    run = next(run for run in laid.journal.runs() if run.board == laid.board)
    _, text, plan = laid.journal.program(run.program)
    if not isinstance(plan, PlanRecord) or not any(pad.ref == WITNESS_REF for pad in plan.pads):
        asker.say("this board has no witness row")
        return
    record = _record(plan, laid.profile)
    given = asker.measured(laid.place.place, record, (0.0, laid.profile.run.card_pitch_mm))
    if given is None:
        return
    found = learned(
        _belief(laid, run.barrel),
        row_of(record, laid.profile),
        given.readings,
        change_of_board(text, plan, laid.profile),
        worth=WORTH,
    )
    _keep(asker, laid, found, given.words)


def _record(plan: PlanRecord, profile: Profile) -> SheetRecord:
    """Return the record of the row that was laid beside the plan's strip with this bench."""
    strips = plan.placement.strips
    bed = profile.bed
    if strips:
        bed = replace(bed, strip_x_mm=strips[0].from_mm[0], strip_y_mm=strips[0].from_mm[1])
    return witness_row(replace(profile, bed=bed)).record


def _last(journal: Journal, batch: int, profile: Profile) -> TaughtRow | None:
    """Return the newest row of a batch that was learned with this very profile."""
    rows = [
        row
        for row in taught(journal, TaughtKind.ROW, batch=batch)
        if row.record.get("belief") and row.record["profile_sha256"] == profile.sha256
    ]
    return rows[-1] if rows else None


def _belief(laid: BoardLaid, barrel: int | None) -> Belief:
    """Return what was believed when this board's row was laid: the last row's, or the last trial's, grown older."""
    last = _last(laid.journal, laid.place.batch, laid.profile)
    if last is None:
        return aged(believed(laid.profile), boards=1, hours=laid.profile.drift.hours)
    since = laid.journal.rows(
        "SELECT board, barrel FROM runs WHERE began_at > ? AND kind = 'board'", (last.at,)
    )
    filled = laid.journal.rows(
        "SELECT count(*) FROM barrel_events WHERE at > ? AND barrel = ? AND what = ?",
        (last.at, barrel, BarrelEvent.REFILLED),
    )
    return aged(
        belief_of_data(last.record["belief"]),
        boards=max(len({board for board, _ in since}), 1),
        hours=max(unix_s() - last.at, 0.0) / HOUR_S,
        refilled=bool(filled[0][0]) or last.record.get("barrel") != barrel,
    )


def _keep(asker: Asker, laid: BoardLaid, found: Learned, words: str) -> None:
    asker.say(f"board {laid.place.place}: {found.words}")
    aside = [str(dot.index + 1) for dot in found.dots if dot.aside]
    if aside:
        asker.say(f"  set aside: dot {', '.join(aside)}, which agrees with no other")
    taken = found.answer is not RowAnswer.STOP
    if found.answer is RowAnswer.STOP:
        asker.say(
            "  nothing is changed. Measure the row once more; if the next one says the same, pause and lay a tuning sheet"
        )
    elif found.answer is RowAnswer.CORRECT and laid.profile.run.learn is not WhenToLearn.BY_ITSELF:
        taken = asker.confirm(f"drift {found.off:.0%}: correct?")
    run = next(run for run in laid.journal.runs() if run.board == laid.board)
    teach(
        laid.journal,
        TaughtKind.ROW,
        {
            "answer": found.answer,
            "taken": taken,
            "words": found.words,
            "off": found.off,
            "change": found.change,
            "chance": found.chance,
            "dots": [[dot.index, dot.diameter_mm, dot.over, dot.aside] for dot in found.dots],
            "given": words[:500],
            "profile_sha256": laid.profile.sha256,
            "barrel": run.barrel,
            **({"belief": belief_data(found.belief)} if taken else {}),
        },
        batch=laid.place.batch,
        board=laid.board,
        now_s=unix_s(),
    )
    if taken and found.answer is RowAnswer.CORRECT:
        asker.say("  the next board is planned for it")
