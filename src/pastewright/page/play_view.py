"""A program's text to a time line: where the tip is, when each deposit is laid, and the pressure behind the tip.

Everything comes from the read-back, which interprets the text as the controller does; nothing is taken from the writer.
"""

import json

import numpy as np

from pastewright.page.board_view import um
from pastewright.page.plan_view import board_back
from pastewright.plunger.bench import bench_of as plunger_bench
from pastewright.profile.model import Profile
from pastewright.readback.judge.evidence import gather
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.machine.barrel import bench_of
from pastewright.readback.text.interpret import interpret
from pastewright.records.plan import PlanRecord

MS = 1000


def play_view_text(text: str, record: PlanRecord, profile: Profile) -> bytes:
    """Return the JSON of a program's course: a row a move, times in ms, places in µm of the first board."""
    reading = interpret(text, profile.controller, plunger_letter=profile.plunger.letter)
    expected = expected_from_plan(record)
    seen = gather(reading, expected, profile, bench_of(profile))
    ends_s = np.cumsum(seen.moves.duration_s)
    places = seen.moves.end_mm
    back = board_back(record)
    board_mm = back.apply(np.nan_to_num(places[:, :2]))
    # The rows of a deposit, by the id that the plan gives it: `expected` is in the order of these ids.
    ids = sorted({deposit.id for pad in record.pads for deposit in pad.deposits})
    ids += [trip.id for trip in record.thrown]
    starts_s = ends_s - seen.moves.duration_s
    spans = {
        str(identity): [
            round(MS * float(starts_s[visits[0].first])),
            round(MS * float(ends_s[visits[-1].last])),
        ]
        for identity, visits in zip(ids, seen.ledger.laid, strict=True)
        if visits
    }
    bench = plunger_bench(profile)
    view = {
        "t": [round(MS * value) for value in ends_s.tolist()],
        "x": [um(value) for value in board_mm[:, 0].tolist()],
        "y": [um(value) for value in board_mm[:, 1].tolist()],
        "low": seen.where.low.astype(int).tolist(),
        "line": seen.moves.line.tolist(),
        "peak": np.round(seen.paste.peak_kpa, 1).tolist(),
        "last": np.round(seen.paste.last_kpa, 1).tolist(),
        "spans": spans,
        "yield_kpa": round(bench.yield_kpa, 1),
        "rest_kpa": round(bench.rest_kpa, 1),
    }
    return json.dumps(view, separators=(",", ":")).encode()
