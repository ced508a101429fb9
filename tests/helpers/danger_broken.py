"""A program broken on purpose, by chance: what a slip of an editor, a wire or a writer makes of it."""

import random
import re

MOTION = re.compile(r"^(N\d+\s+)?G[01]\b.*[XYZABCEUVW]-?\d")


def _changed(line: str, letters: str, change) -> str:
    match = re.search(rf"([{letters}])(-?\d+\.?\d*)", line.split("*")[0])
    if match is None:
        return line
    value = change(float(match[2]))
    return f"{line[: match.start()]}{match[1]}{value:.5f}{line[match.end() :]}".split("*")[0]


def broken(text: str, letter: str, rng: random.Random) -> tuple[str, str]:
    """A program with one thing wrong, and what that is."""
    lines = text.splitlines()
    moves = [k for k, line in enumerate(lines) if MOTION.match(line)]
    k = rng.choice(moves)
    how = rng.choice(["drop", "swap", "twice", "Z", "XY", "F", "plunger", "sign", "copy"])
    was = lines[k]
    if how == "drop":
        del lines[k]
    elif how == "swap":
        other = moves[(moves.index(k) + 1) % len(moves)]
        lines[k], lines[other] = lines[other], lines[k]
    elif how == "twice":
        lines.insert(k, was)
    elif how == "Z":
        k = rng.choice([k for k in moves if "Z" in lines[k]])
        was, by = lines[k], rng.choice([-3, -1, -0.3, -0.1, 0.3, 2])
        lines[k] = _changed(was, "Z", lambda value: value + by)
    elif how == "XY":
        k = rng.choice([k for k in moves if "X" in lines[k]])
        was, by = lines[k], rng.choice([-30, -4, -0.7, -0.2, 0.2, 0.7, 4, 30])
        lines[k] = _changed(was, rng.choice("XY"), lambda value: value + by)
    elif how == "F":
        by = rng.choice([0.02, 0.2, 3, 30])
        lines[k] = _changed(was, "F", lambda value: value * by)
    elif how in ("plunger", "sign"):
        k = rng.choice([k for k in moves if letter in lines[k]])
        was, by = lines[k], -1 if how == "sign" else rng.choice([0.5, 0.9, 1.1, 2, 10])
        lines[k] = _changed(was, letter, lambda value: value * by)
    else:
        lines[k] = lines[rng.choice(moves)]
    return "\n".join(lines) + "\n", f"{how} at line {k + 1}: {was!r}"
