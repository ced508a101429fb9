"""Places of parts and lands to shares: which land belongs to which part, when only the parts' middles are known.

Parts take the symmetric pair of lands nearest to their middle, near pairs first; then further pairs of lands as large
as those, near pairs first again; then what is not symmetric goes to the part whose middle is that of the lands' box.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from pastewright.board.parts.registration import ALIKE, NEAR_MM, REACH_MM, Points
from pastewright.near import NearPlaces

Give = Callable[[int, Iterable[int]], None]
"""Gives lands, by index, to a part."""

BOX_MM = 0.3
"""The middle of an unsymmetric part's pads may miss its stated middle by this much (common practice: the origin of a
part is the middle of its pads or of its body)."""


def shares(places: Points, centres: Points, areas: Points, free: NDArray[np.bool_]) -> dict[int, int]:
    """Return the part of each land, by index; lands that are not `free` stay out."""
    tree = NearPlaces(centres)
    symmetric = [_symmetric(place, tree, centres, areas) for place in places]
    owner: dict[int, int] = {}
    taken = ~free
    has: dict[int, list[int]] = defaultdict(list)

    def give(part: int, lands: Iterable[int]) -> None:
        for land in lands:
            owner[land] = part
            taken[land] = True
            has[part].append(land)

    claims = sorted(
        (away, part, one, two) for part, found in enumerate(symmetric) for away, one, two in found
    )
    for _away, part, one, two in claims:
        if part not in has and not taken[one] and not taken[two]:
            give(part, {one, two})
    others = NearPlaces(places)
    closed: set[int] = set()
    for _away, part, one, two in claims:
        # Near pairs first: in a row of equal parts, each keeps its own outer pads from its neighbours.
        if part in closed or taken[one] or taken[two] or not _alike(part, one, has, areas):
            continue
        if _foreign(part, (one, two), places, others, centres, has):
            closed.add(part)
            continue
        give(part, {one, two})
    _boxes(places, centres, tree, taken, has, give)
    return owner


def _symmetric(
    place: Points, tree: NearPlaces, centres: Points, areas: Points
) -> list[tuple[float, int, int]]:
    """Return the pairs of equal lands opposite each other about a place, near ones first; one land alone
    stands on the place itself."""
    near = tree.within(place, REACH_MM)[0]
    if not len(near):
        return []
    opposite = 2 * place - centres[near]
    away, other = tree.nearest(opposite, within=NEAR_MM)
    good = np.isfinite(away)
    one, two = near[good], other[good]
    good = (one <= two) & (np.abs(areas[one] - areas[two]) <= ALIKE * areas[one])
    one, two = one[good], two[good]
    from_place = np.hypot(*(centres[one] - place).T)
    rank = np.argsort(from_place, kind="stable")
    return [(float(from_place[k]), int(one[k]), int(two[k])) for k in rank]


def _alike(part: int, land: int, has: Mapping[int, list[int]], areas: Points) -> bool:
    """Tell whether a land is as large as the lands that a part has; a single one (a thermal pad) says nothing."""
    held = has.get(part, [])
    like = next((areas[other] for other in reversed(held) if len(held) > 1), None)
    return like is None or abs(areas[land] - like) <= ALIKE * like


def _foreign(
    part: int,
    pair: tuple[int, int],
    places: Points,
    others: NearPlaces,
    centres: Points,
    has: Mapping[int, list[int]],
) -> bool:
    """Tell whether another part without pads stands within the box of a part's lands and a further pair."""
    box = centres[[*has.get(part, []), *pair]]
    low, high = box.min(axis=0), box.max(axis=0)
    middle, reach = (low + high) / 2, float(np.hypot(*(high - low))) / 2
    return any(
        other != part
        and other not in has
        and bool(np.all(places[other] > low) and np.all(places[other] < high))
        for other in others.within(middle, reach + 1e-6)[0].tolist()
    )


def _boxes(
    places: Points,
    centres: Points,
    tree: NearPlaces,
    taken: NDArray[np.bool_],
    has: Mapping[int, list[int]],
    give: Give,
) -> None:
    """Parts without pads take the least group of free lands whose box has its middle where the part's is."""
    bare = [part for part in range(len(places)) if part not in has]
    if not bare:
        return
    bare_tree = NearPlaces(places[bare])
    for number, part in enumerate(bare):
        near = tree.within(places[part], REACH_MM)[0]
        near = near[~taken[near]] if len(near) else near
        if not len(near):
            continue
        mine = near[bare_tree.nearest(centres[near])[1] == number]
        mine = mine[np.argsort(np.hypot(*(centres[mine] - places[part]).T), kind="stable")]
        found = 0
        for count in range(2, len(mine) + 1):
            box = centres[mine[:count]]
            middle = (box.min(axis=0) + box.max(axis=0)) / 2
            if np.hypot(*(middle - places[part])) <= BOX_MM:
                found = count
                break
        if found:
            give(part, [int(land) for land in mine[:found]])
