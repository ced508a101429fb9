"""Names of files to boards: several of them in one folder or zip, told apart by the stems of the names.

logger-F_Paste.gtp   logger-F_Cu.gtl   logger.drl   }  two boards, "logger" and "sensor"; files
sensor-F_Paste.gtp   sensor-F_Cu.gtl   sensor.drl   }  that begin with neither belong to both
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import takewhile

from pastewright.board.model import LayerRole
from pastewright.problems import InputError, one_error

_ONE_EACH = (
    LayerRole.TOP_PASTE,
    LayerRole.BOTTOM_PASTE,
    LayerRole.TOP_COPPER,
    LayerRole.BOTTOM_COPPER,
    LayerRole.TOP_MASK,
    LayerRole.BOTTOM_MASK,
    LayerRole.OUTLINE,
)
"""Roles of which a board has one file."""
FEWEST_ROLES = 2
"""A stem is a board's when files of so many roles bear it; one alone is a stray file, whose claim is settled by itself."""


def of_other_boards(
    names: Sequence[str], roles: Sequence[LayerRole], given: Mapping[str, LayerRole], name: str
) -> dict[str, str]:
    """Return the files of boards that are not meant, with the stem of their board; {} where there is just one.

    `roles` are those of the files by themselves, `given` what the person says, `name` what the board is called.
    Raises `InputError` where it cannot be told which is meant.
    """
    boards = _boards(names, roles)
    if len(boards) < 2:
        return {}
    chosen = _chosen(boards, given, name)
    if chosen is None:
        raise _unclear(boards, dict(zip(names, roles, strict=True)))
    return {file: stem for stem, files in boards.items() if stem != chosen for file in files}


def _boards(names: Sequence[str], roles: Sequence[LayerRole]) -> dict[str, list[str]]:
    """Return the files of each board by its stem."""
    stems: set[str] = set()
    for role in _ONE_EACH:
        claims = [name for name, each in zip(names, roles, strict=True) if each is role]
        if len(claims) > 1:
            stems.update(_stems(claims))
    stems.discard("")
    files: dict[str, list[str]] = defaultdict(list)
    kinds: dict[str, set[LayerRole]] = defaultdict(set)
    for name, role in zip(names, roles, strict=True):
        own = max((stem for stem in stems if _bears(name, stem)), key=len, default="")
        if own:
            files[own].append(name)
            if role is not LayerRole.OTHER:
                kinds[own].add(role)
    return {stem: files[stem] for stem in sorted(files) if len(kinds[stem]) >= FEWEST_ROLES}


def _stems(names: Sequence[str]) -> list[str]:
    """Return what is before the end that all names share; the end starts with a mark, not within a word."""
    alike = takewhile(
        lambda letters: len(set(letters)) == 1, zip(*(reversed(name) for name in names), strict=False)
    )
    end = "".join(letters[0] for letters in alike)[::-1]
    start = next((n for n, letter in enumerate(end) if not letter.isalnum()), len(end))
    return [name[: len(name) - len(end) + start].rstrip("-_. /") for name in names]


def _bears(name: str, stem: str) -> bool:
    """Tell whether a name begins with a stem, and not just with its letters."""
    rest = name[len(stem) :]
    return name.startswith(stem) and not rest[:1].isalnum()


def _chosen(boards: Mapping[str, Sequence[str]], given: Mapping[str, LayerRole], name: str) -> str | None:
    said = {
        stem
        for stem, files in boards.items()
        if any(given.get(file, LayerRole.OTHER) is not LayerRole.OTHER for file in files)
    }
    if len(said) == 1:
        return said.pop()
    left = [
        stem
        for stem, files in boards.items()
        if not all(given.get(file) is LayerRole.OTHER for file in files)
    ]
    if len(left) == 1:
        return left[0]
    called = [stem for stem in boards if stem.rsplit("/", 1)[-1].lower() == name.lower()]
    return called[0] if len(called) == 1 else None


def _unclear(boards: Mapping[str, Sequence[str]], roles: Mapping[str, LayerRole]) -> InputError:
    words = []
    for stem, files in boards.items():
        file = next((each for each in files if roles[each] in _ONE_EACH), files[0])
        words.append(f"--layer '{file}={roles[file].value}' for {stem}")
    return one_error(
        f"{len(boards)} boards lie here: {', '.join(boards)}",
        f"Say which with {', or '.join(words)}; or give a folder of one board.",
    )
