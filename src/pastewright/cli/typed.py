"""Words of options to values. Nothing heavy is loaded here, so that a typing error is told at once."""

import re
from pathlib import Path

from pastewright.problems import one_error
from pastewright.records.kinds import FitKind, MarkKind


def existing(path: Path, what: str) -> Path:
    """Return the path of a file that is there."""
    if not path.exists():
        raise one_error(f"there is no such file; {what} is wanted", "Check the name.", file=str(path))
    return path


def typed_turn(word: str) -> float | None:
    """Return a turn of an option: degrees, or None for "any"."""
    if word.strip().lower() == "any":
        return None
    if not re.fullmatch(r"[-+]?\d+(\.\d+)?", word.strip()) or abs(float(word)) > 360:
        raise one_error(f"--turned {word!r} is no angle", "Give degrees anticlockwise, such as 180, or any.")
    return float(word)


def typed_fit(word: str) -> FitKind | None:
    """Return the fit of an option, None for "auto"."""
    if word == "auto":
        return None
    if word not in [str(kind) for kind in FitKind]:
        raise one_error(f"--fit {word!r} is not known", f"There are: auto, {', '.join(FitKind)}.")
    return FitKind(word)


def typed_by(word: str) -> bool:
    """Whether points were found with the camera, not with the tip."""
    if word not in ("tip", "camera"):
        raise one_error(f"--by {word!r} is not known", "Say tip or camera.")
    return word == "camera"


def typed_place(option: str, word: str) -> tuple[float, float]:
    """Return the place of an option, X,Y [mm]."""
    try:
        x, y = (float(part) for part in word.split(","))
    except ValueError:
        raise one_error(f"{option} {word!r} is not X,Y", f"For example {option} 103.12,53.48") from None
    return x, y


def typed_grid(word: str) -> tuple[int, int]:
    """Return the columns and rows of an option."""
    try:
        columns, rows = (int(part) for part in word.lower().split("x"))
    except ValueError:
        raise one_error(f"--grid {word!r} is not COLUMNSxROWS", "For example --grid 4x3") from None
    return columns, rows


def typed_mark(word: str) -> MarkKind:
    """Return the kind of mark of an option."""
    if word not in [str(one) for one in MarkKind]:
        raise one_error(f"--kind {word!r} is not known", f"There are: {', '.join(MarkKind)}.")
    return MarkKind(word)
