"""Names of pads to ids, one for each pad and no two alike."""

from collections import Counter
from collections.abc import Sequence

from pastewright.board.model import Point


def pad_ids(names: Sequence[tuple[str, str]], places: Sequence[Point]) -> tuple[list[str], int]:
    """Return an id for each pad from its (ref, pin), and how many had to be told apart by a suffix.

    "U1-3" where both are known, else "P0007". Pads of one name (copies of a panel, several lands on one
    pin) are counted from the lower left: "U1-3", "U1-3#2", …; copies lie alike, so each copy gets the same
    number throughout.
    """
    wanted = [f"{ref}-{pin}" if ref and pin else "" for ref, pin in names]
    count = Counter(name for name in wanted if name)
    order = sorted(range(len(wanted)), key=lambda n: (round(places[n][1], 3), round(places[n][0], 3), n))
    rank: dict[int, int] = {}
    seen: Counter[str] = Counter()
    for number in order:
        if count[wanted[number]] > 1:
            seen[wanted[number]] += 1
            rank[number] = seen[wanted[number]]
    taken = set(count)
    ids: list[str] = []
    width = max(4, len(str(len(wanted))))
    for number, name in enumerate(wanted):
        base = name or f"P{number + 1:0{width}d}"
        label = base if rank.get(number, 1) == 1 else f"{base}#{rank[number]}"
        # A board may have a part called "P0007-…" or "U1-3#2"; no name is used twice.
        while label in taken and (label != base or not name):
            label += "'"
        taken.add(label)
        ids.append(label)
    return ids, sum(1 for value in rank.values() if value > 1)
