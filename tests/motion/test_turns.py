"""A journey to the turns of its chain: what the motor does for each strip, dot and bead, nothing lost."""

from dataclasses import replace

import numpy as np
import pytest
from demo_plans import plan_of
from msgspec import structs

from pastewright.board.model import Side
from pastewright.motion.model import Step
from pastewright.motion.turns import laid_by
from pastewright.plunger.answer import DRAW, PRESS, PUSH, RETRACT
from pastewright.tolerance.predict import predicted
from pastewright.tune.fit.spread import spread_of


@pytest.fixture(scope="module")
def bottom():
    return plan_of(Side.BOTTOM)


def volumes(plan):
    return {deposit.index: deposit.volume_ul for deposit in plan.layout.deposits}


def test_every_deposit_has_its_turn_in_the_order_of_laying_and_all_of_the_motor_s_way(bottom):
    laid = laid_by(bottom.motions, bottom.profile, volumes(bottom))
    assert [one for one in laid.deposits if one is not None] == [v.deposit for v in bottom.tour.visits]
    assert laid.turns.way_mm.sum() == pytest.approx(bottom.motions.moves[-1].plunger_mm, abs=1e-9)
    assert (laid.turns.way_mm[:, [PRESS, PUSH]].sum(axis=1) > 0).all()
    assert (laid.turns.way_mm[:, [RETRACT, DRAW]].sum(axis=1) < 0).all()
    # On the board each dot is pressed on the way down and drawn on the way up.
    board = [row for row, one in enumerate(laid.deposits) if one is not None]
    assert (laid.turns.way_mm[board, PRESS] > 0).all()
    assert (laid.turns.way_mm[board, DRAW] < 0).all()
    # Between deposits the tip travels; what is thrown away at the strip's end follows at once.
    idle = [
        seconds for seconds, one in zip(laid.idle_s.tolist(), laid.deposits, strict=True) if one is not None
    ]
    assert min(idle) > 0.05


def test_a_deposit_with_nothing_to_draw_back_keeps_its_turn(bottom):
    """On a very stiff bench a bead ends without a retraction; the next push is another deposit's."""
    moves, taken = [], 0.0
    first = bottom.tour.visits[0].deposit
    for before, move in zip((None, *bottom.motions.moves), bottom.motions.moves, strict=False):
        if move.deposit == first and move.step is Step.RETRACT:
            taken = before.plunger_mm - move.plunger_mm
            continue
        moves.append(structs.replace(move, plunger_mm=move.plunger_mm + taken))
    motions = replace(bottom.motions, moves=tuple(moves))
    laid = laid_by(motions, bottom.profile, volumes(bottom))
    assert [one for one in laid.deposits if one is not None] == [v.deposit for v in bottom.tour.visits]
    found = predicted(motions, bottom.layout.deposits, bottom.profile, spread_of(bottom.profile))
    assert np.isfinite(found.by_constant).all()
    assert len(found.of_pads([(0, first, 1.0)]).reach) == 1
