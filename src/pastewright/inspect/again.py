"""Rows that look less like paste than the photo's others do, looked at once more: bare, or how wide a dome stands there.

Each is drawn bare and with a dome on it (see `bare`). What that tells more surely than colours do takes their place: that
nothing lies there; that a small dome does, where the fit ran on over a land that looks like paste; or that one as wide as
the others does.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pastewright.inspect.bare import AT_ITS_PLACE_MM, BareOrNot, bare_rows
from pastewright.inspect.fit import FittedBoard, FittedRow
from pastewright.inspect.flat import FlatBoard
from pastewright.inspect.picture import BoardPicture

# Rows with less of the usual evidence are looked at for a bare land. Drawn bare and with a dome on it as usual, a land is
# taken for bare where that is so much likelier [ln], unless a dome that is searched for explains it far better: so read
# 16 of 16 missing deposits of 84 rendered photos that were not told by colour had 11 and more, 14 of them 22 and more; of
# 3 800 good ones one had 23, and of 700 on tin in other photos two, 21 and 10.
NO_DOUBT, SURELY_BARE, ANY_DOME = 0.9, 25.0, -15.0
# … and the more of it, the more it looks like paste by colour: a bare land had 0.78 with 88; a dome in a burnt-out pad, and
# one as grey as its mask, 0.84 and 0.86 with 39 and 17. Where colours tell paste from land well, they count for more: three
# domes on such lands, wrongly fitted over their neighbours, had 0.81 to 0.85 with 105 to 159; bare lands that paste of
# others lies beside 0.49 to 0.74 with 343 and more.
ALIKE_FROM, BARE_FOR_ALIKE = 0.6, 120.0
WELL_TOLD, ALIKE_IF_TOLD, BARE_IF_TOLD = 0.5, 0.2, 800.0
# Where colours tell that nothing lies there, and a dome as usual explains the place so much better [ln], neither is
# believed: of 23 such rows on tin two were good deposits with -15 and -24; 20 missing ones had 26 and more, one -11. Where
# colours tell paste from land well they are believed: three bare lands of copper had -72 to -105, drawn as they were.
A_DOME_YET = -12.0
# … unless a dome explains the place so much better than that that colours cannot be right: paste that a lamp burnt out, its
# land showing all around, was missing with -247; of 150 missing deposits none well told had less than -144.
SURELY_A_DOME = -200.0
# Nor is a bare land on metal that looks like paste, where colours do not tell that nothing lies there, and paste shaded as
# no other is explains the place so much better: two pale deposits in a pad of tin under a ring light had -21 and -40, bare
# lands with as much evidence of paste by colour 15 and more.
SOME = 0.2
AWAY_MM = 0.36  # a fit that went as far as it is looked for lies on something else
# Rows with less are looked at for their size. Where a dome surely stands, and a small one explains the place so much
# better than one of the usual width [ln], it is small; where it explains it so much worse, it is not. Of 28 halves on
# levelled tin (rendered photos) 19 had 15 and more, and two, on a white mask, less than −40; of 48 good deposits one had
# 19, and all but seven −40 or less.
UNSIZED, STANDS, SMALL, NOT_SMALL = 0.8, -25.0, 15.0, -40.0
LIKE_LAND = 0.65  # of how well colours tell paste from land: levelled tin, mostly
# Nor is it small where paste as wide as usual, shaded as no other is, explains the place better: of rows that were small
# by the above eight halves had 12 and more, five good deposits -30 and less; elsewhere no land was seen beside to say so.
SMALL_YET = 0.0
SMALL_ALIKE = 0.3  # of the usual evidence, by colour, which those halves had


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LookedAgain:
    """How much likelier doubtful rows' lands are bare than not [ln], which of them surely are; rows whose domes surely
    stand, small or as wide as usual, and the fits of the small ones; rows that a dome explains whatever their colours.
    """

    bare_ln: dict[int, float]
    bare: frozenset[int]
    small: dict[int, FittedRow]
    wide: frozenset[int]
    dome_yet: frozenset[int]


def looked_again(
    flat: FlatBoard, fitted: FittedBoard, picture: BoardPicture, usual: float, told: Mapping[int, float]
) -> LookedAgain:
    """Return what doubtful rows show; `usual` is the evidence a pixel of a usual deposit, `told` how well colours tell each
    row's paste from its land. Where they tell it well sizes are theirs to tell.

    A bead's parts show no outline of their own, and a fit that went half-way to something else is not asked where it lies.
    """
    like = {
        number: fit.mean / usual
        for number, fit in fitted.rows.items()
        if fit.mean < NO_DOUBT * usual
        and not picture.rows[number].shared
        and not AT_ITS_PLACE_MM <= float(np.hypot(*fit.shift_mm)) < AWAY_MM
    }
    unsized = {n for n in like if like[n] < UNSIZED and told[n] < LIKE_LAND}
    found = bare_rows(flat, fitted, picture, like, unsized)
    ln = {n: one.usual_ln if one.any_ln > ANY_DOME else one.any_ln for n, one in found.items()}
    bare = {
        n for n in found if ln[n] > _needed(like[n], told[n]) and not _paste_yet(found[n], like[n], told[n])
    }
    stands = {n: one for n, one in found.items() if one.any_ln < STANDS and n in unsized - bare}
    return LookedAgain(
        bare_ln=ln,
        bare=frozenset(bare),
        small={
            n: _as_drawn(fitted.rows[n], one)
            for n, one in stands.items()
            if one.small_ln > SMALL and one.small_other_ln > SMALL_YET and like[n] > SMALL_ALIKE
        },
        dome_yet=frozenset(
            n
            for n, one in found.items()
            if ln[n] < SURELY_A_DOME or (one.usual_ln < A_DOME_YET and told[n] < LIKE_LAND)
        ),
        wide=frozenset(n for n, one in stands.items() if one.small_ln < NOT_SMALL),
    )


def _needed(like: float, told: float) -> float:
    """Return how much likelier a land must be bare to be taken for bare [ln]: more where its colours speak for paste."""
    by_colour = BARE_IF_TOLD * max(0.0, told - WELL_TOLD) * max(0.0, like - ALIKE_IF_TOLD)
    return SURELY_BARE + BARE_FOR_ALIKE * max(0.0, like - ALIKE_FROM) + by_colour


def _paste_yet(one: BareOrNot, like: float, told: float) -> bool:
    """Tell whether paste may lie on a land that is likelier bare than under a usual dome."""
    return told < LIKE_LAND and like > SOME and one.other_ln < A_DOME_YET


def _as_drawn(fit: FittedRow, one: BareOrNot) -> FittedRow:
    return replace(fit, shift_mm=one.shift_mm, width=one.width)
