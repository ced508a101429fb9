"""Readings of rows to verdicts: good, low, high, missing, bridged, off, or not seen, and why.

"Not seen" is said wherever a photo cannot tell; it never becomes good.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, log
from statistics import median

from pastewright.inspect.again import LIKE_LAND, SURELY_BARE
from pastewright.inspect.elsewhere import TOO_COMMON
from pastewright.inspect.measure import SURE, UNSIZED, RowReading
from pastewright.inspect.picture import InspectedRow
from pastewright.job.limits import InspectionLimits
from pastewright.records.kinds import DepositVerdict

OVEREXPOSED = "overexposed"
LEAST_PX_ACROSS = 8.0  # of a deposit's width; below, its area is off by more than a third
# Shares of a row that is overexposed: from the lower one on its rim may be lost and its size is not told.
FULL_FOR_SIZE, MOST_FULL = 0.22, 0.35
# A bare land that mirrors the window had passed for good with 0.34; of 4 100 good deposits 15 are burnt out so far.
FULL_FOR_GOOD = 0.3
# Evidence for paste, of the usual deposit's: what is fitted with less covers something else as well, a land that mirrors
# what paste does. Seven of sixteen rows wrongly said to be high and three of three wrongly said to be off have less, and one
# of 60 rightly said (rendered photos seen before).
UNLIKE = 0.78
# A wide outline that takes in ground has less of it than one of much paste: of 67 deposits rightly said to be high one has
# less, of eleven wrongly said nine, all on mask as dark as paste (rendered photos seen before).
UNLIKE_HIGH = 0.86
# On a land that looks like paste, one that is told no better than this, so little evidence is no good deposit: two bare
# lands of levelled tin had passed for good with 0.57 and 0.63; 144 of 7 682 good deposits have less, and ten halves.
UNLIKE_ON_LAND = 0.65
# Nor is any with less than this, be its outline drawn as it may: two bare lands of tin and a half had passed for good with
# -0.25, 0.29 and 0.36; of 10 700 good deposits one had less than 0.42 (rendered photos seen before).
UNLIKE_AT_ALL = 0.4
# … nor with little more, where a dome explains the place by less than this [ln]: a bare land that mirrors the room in
# one corner had 0.43 and 30, a half 0.48 and 56; of 20 good ones below 0.5 two had less.
# Two more had passed, of tin in two lights: 0.44 and 76, 0.67 and 40. So below a half 80 are asked, and on land that looks
# like paste 60 below 0.7: of 5 632 good deposits on tin 18 have less, and none of those below 0.5.
HALF_UNLIKE, A_DOME_STANDS = 0.5, -80.0
UNLIKE_ON_TIN, A_DOME_ON_TIN = 0.7, -60.0
UNTOLD = "whether it is paste or its land cannot be told well enough"
AMONG_GLARE = "the mask around it looks like paste as well: glare, or legend"
ALL_ASIDE = "all around it seem to lie aside: the board is not found well enough here"
# A dome that surely is small has at most 55 % of the usual volume, as near as that tells; halves were read up to 58 %.
SMALL_OF_LIMIT = 1.2
TAIL_MM = 0.25  # beyond the planned outline; a tip lifted too early draws such a tail
# The usual deposit of a photo lies within these, in shares of the plan; else its sizes as a whole are not believed.
USUAL_FROM, USUAL_TO = 0.65, 1.5
WORTH_A_WORD = 0.15  # that the usual deposit is off the plan
LEAST_USUAL = 8  # deposits, to say what is usual
BLURRED_GAP_PX = 2.0  # by which a gap between two outlines may be read too narrow
SMEARED = 0.15  # of the planned area, beside the outline
LEAST_OFF_MM = 0.1  # what placing and reading may be off together


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedRow:
    """The verdict on a row; `wipe` tells that a person must take paste away before anything is laid there."""

    verdict: DepositVerdict
    why: str = ""
    wipe: bool = False


def judged(
    reading: RowReading | None,
    rows: Sequence[InspectedRow],
    limits: InspectionLimits,
    *,
    usual: float | None = 1.0,
    scatter: float = 0.0,
) -> JudgedRow:
    """Return the verdict on one row's reading, None being a row that no photo shows.

    `usual` is the volume of the photo's usual deposit over the plan: each is judged against the others, since what all
    share (an edge lost into shade, a tip that lays a little more) is told once. None is a photo whose sizes are not
    believed: what is there is then not seen to be good. `scatter` is what the photo's deposits differ by [ln]: no size is
    told better.
    """
    unseen = _unseen(reading, rows)
    # A neck that is plainly seen is a bridge also where its ends are burnt out.
    if (unseen and not (reading and reading.joined and unseen == OVEREXPOSED)) or reading is None:
        return JudgedRow(verdict=DepositVerdict.NOT_SEEN, why=unseen or "in no photo")
    if reading.gone:
        return JudgedRow(verdict=DepositVerdict.MISSING, why="no paste where it should be")
    if reading.joined:
        pads = ", ".join(dict.fromkeys(rows[other].pad.id for other in reading.joined))
        return JudgedRow(verdict=DepositVerdict.BRIDGED, why=f"joined with {pads}", wipe=True)
    if not reading.there:
        return JudgedRow(
            verdict=DepositVerdict.NOT_SEEN, why="whether paste is there cannot be told from its land"
        )
    found = _of_paste(reading, rows, limits, (usual, scatter))
    if found.verdict is not DepositVerdict.OFF and reading.bare_ln > (
        0 if reading.like_paste < UNLIKE else SURELY_BARE
    ):
        return JudgedRow(verdict=DepositVerdict.NOT_SEEN, why=UNTOLD)
    # What is dragged out of a deposit draws its fit aside, onto less of it; what is fitted over a land that looks like paste
    # is wide as well: eight smears had 0.6 to 1.5 of the planned volume, of eight good ones seven had 1.9 and more.
    share = reading.volume_ul / rows[reading.row].deposit.volume_ul / (usual or 1.0)
    smeared = bool(_smeared(reading, rows[reading.row])) and share <= limits.most_volume
    beyond = found.verdict in (DepositVerdict.HIGH, DepositVerdict.OFF) and reading.common > TOO_COMMON
    if beyond or (
        (reading.maybe_joined or reading.maybe_dragged) and found.verdict is not DepositVerdict.LOW
    ):
        return JudgedRow(verdict=DepositVerdict.NOT_SEEN, why=AMONG_GLARE)
    doubted = found.verdict in (DepositVerdict.HIGH, DepositVerdict.OFF) and not smeared
    if doubted and reading.like_paste < (UNLIKE_HIGH if found.verdict is DepositVerdict.HIGH else UNLIKE):
        return JudgedRow(
            verdict=DepositVerdict.NOT_SEEN,
            why=f"it looks too unlike the others to be sure that it is {found.why}",
        )
    if found.verdict is DepositVerdict.GOOD and reading.doubted:
        pads = ", ".join(dict.fromkeys(rows[other].pad.id for other in reading.doubted))
        return JudgedRow(
            verdict=DepositVerdict.NOT_SEEN, why=f"whether it is joined with {pads} cannot be told"
        )
    return found


def _of_paste(
    reading: RowReading,
    rows: Sequence[InspectedRow],
    limits: InspectionLimits,
    others: tuple[float | None, float],
) -> JudgedRow:
    """Return the verdict on paste that is there and joined with no other; `others`: the photo's usual share, its scatter."""
    usual, scatter = others
    row = rows[reading.row]
    volume = reading.volume_ul / row.deposit.volume_ul
    words = f"{volume:.0%} of the planned volume"
    if smeared := _smeared(reading, row):
        return JudgedRow(verdict=DepositVerdict.OFF, why=smeared, wipe=True)
    if usual is None:
        return JudgedRow(verdict=DepositVerdict.NOT_SEEN, why=f"sizes cannot be told in this photo ({words})")
    sd = max(reading.own_sd, scatter, UNSIZED if reading.rim_full > FULL_FOR_SIZE else 0.0)
    if reading.small and volume / usual < SMALL_OF_LIMIT * limits.least_volume:
        return JudgedRow(verdict=DepositVerdict.LOW, why=words)
    if sized := _sized(volume / usual, sd, words, limits):
        return sized
    # Small, yet not below the limit; or so little above it that the error of reading may hide a low one.
    if reading.small or volume / usual * (1 - reading.own_sd) < limits.least_volume:
        return JudgedRow(
            verdict=DepositVerdict.NOT_SEEN, why=f"its size cannot be told well enough ({words})"
        )
    if beside := _beside(reading, row, limits):
        return beside
    blurred_mm = BLURRED_GAP_PX / reading.px_per_mm
    if reading.gap_mm is not None and reading.gap_mm < limits.least_gap_mm - blurred_mm:
        return JudgedRow(
            verdict=DepositVerdict.OFF, why=f"only {reading.gap_mm:.2f} mm to the next paste", wipe=True
        )
    unlike = not reading.wide and reading.told < LIKE_LAND and reading.like_paste < UNLIKE_ON_LAND
    doubtful = reading.like_paste < HALF_UNLIKE and reading.bare_ln > A_DOME_STANDS
    doubtful |= (
        reading.told < LIKE_LAND and reading.like_paste < UNLIKE_ON_TIN and reading.bare_ln > A_DOME_ON_TIN
    )
    if unlike or doubtful or reading.like_paste < UNLIKE_AT_ALL:
        return JudgedRow(verdict=DepositVerdict.NOT_SEEN, why=UNTOLD)
    if reading.full > FULL_FOR_GOOD:
        return JudgedRow(verdict=DepositVerdict.NOT_SEEN, why=OVEREXPOSED)
    return JudgedRow(verdict=DepositVerdict.GOOD)


def _sized(share: float, sd: float, words: str, limits: InspectionLimits) -> JudgedRow | None:
    """Return the verdict on a volume beside those of the others in the photo, None where it is good.

    Shade, gloss and metal that looks like paste widen what is read and never narrow it: of 4 100 good deposits on rendered
    photos one in 200 was read by more than a quarter too small, on whatever ground, but up to three times too large.
    """
    if share < limits.least_volume:
        return JudgedRow(verdict=DepositVerdict.LOW, why=words)
    if share <= limits.most_volume:
        return None
    # What the error of reading may explain is no finding, and no good deposit.
    if sd >= UNSIZED or share * (1 - SURE * sd) < limits.most_volume:
        return JudgedRow(
            verdict=DepositVerdict.NOT_SEEN, why=f"its size cannot be told well enough ({words})"
        )
    return JudgedRow(verdict=DepositVerdict.HIGH, why=words, wipe=True)


def usual_share(readings: Sequence[RowReading], rows: Sequence[InspectedRow]) -> float | None:
    """Return the volume of a photo's usual deposit over the plan, 1 with too few to say, None where it is not believed.

    Deposits that are all much larger or smaller may be so; as often their edges were lost into shade, gloss or a land that
    looks like paste, and nothing in the photo tells which.
    """
    shares = _shares(readings, rows)
    if len(shares) < LEAST_USUAL:
        return 1.0
    usual = float(median(shares))
    return usual if USUAL_FROM <= usual <= USUAL_TO else None


def scatter_of(readings: Sequence[RowReading], rows: Sequence[InspectedRow]) -> float:
    """Return what the deposits of a photo differ by, volume over plan: a standard deviation from the median distance [ln],
    nil with too few to say. Shade and gloss that widen some outlines and not others show in it.
    """
    shares = [log(share) for share in _shares(readings, rows)]
    if len(shares) < LEAST_USUAL:
        return 0.0
    middle = median(shares)
    return 1.4826 * median(abs(share - middle) for share in shares)


def _shares(readings: Sequence[RowReading], rows: Sequence[InspectedRow]) -> list[float]:
    """Return the volumes over the plan of all deposits that a photo shows whole."""
    shares = [one.volume_ul / rows[one.row].deposit.volume_ul for one in readings if one.there and one.whole]
    return [share for share in shares if share > 0]


def _unseen(reading: RowReading | None, rows: Sequence[InspectedRow]) -> str:
    if reading is None:
        return "in no photo"
    if not reading.whole:
        return "not whole in the photo"
    if reading.full > MOST_FULL and not (reading.gone and reading.bare):
        return OVEREXPOSED
    if rows[reading.row].deposit.width_mm * reading.px_per_mm < LEAST_PX_ACROSS:
        return "too small in the photo"
    return ""


def _smeared(reading: RowReading, row: InspectedRow) -> str:
    """Return in words what lies beside a deposit's outline, "" where nothing does."""
    if reading.own_sd >= UNSIZED:
        return ""  # no edge was found that anything could lie beyond
    if reading.dragged_mm:
        return f"smeared to one side, {reading.dragged_mm:.2f} mm beyond its outline"
    if reading.tail_mm > TAIL_MM and reading.beside_mm2 > SMEARED * row.paste.area:
        return f"smeared, {reading.tail_mm:.2f} mm beyond its outline"
    if reading.tail_mm > 2 * TAIL_MM:
        return f"a tail reaches {reading.tail_mm:.2f} mm beyond its outline"
    return ""


def _beside(reading: RowReading, row: InspectedRow, limits: InspectionLimits) -> JudgedRow | None:
    """Return the verdict on a deposit that lies beside its place, None where it does not; parts of a bead follow the bead.

    One that lies far off but on its pad, where it harms nothing, need not be wiped.
    """
    if row.shared:
        return None
    away, alone = hypot(*reading.offset_mm), hypot(*reading.alone_mm)
    by_width = max(limits.most_offset * row.deposit.width_mm, LEAST_OFF_MM)
    spills_over = reading.on_pad < limits.least_on_pad * reading.planned_on_pad
    most = min(by_width, max(limits.most_offset_mm, LEAST_OFF_MM))
    if away > most and (alone <= most or reading.crossed):
        return JudgedRow(verdict=DepositVerdict.NOT_SEEN, why=UNTOLD if reading.crossed else ALL_ASIDE)
    if away > most:
        return JudgedRow(
            verdict=DepositVerdict.OFF,
            why=f"{away:.2f} mm beside its place",
            wipe=away > by_width or spills_over,
        )
    if spills_over and away > LEAST_OFF_MM / 2:
        return JudgedRow(verdict=DepositVerdict.OFF, why=f"{reading.on_pad:.0%} of it on its pad", wipe=True)
    return None
