"""How many of what, in words: "1 pad", "2 pads"."""


def counted(number: int, noun: str, plural: str = "") -> str:
    """Return a number with its noun; `plural` where that is not the noun and an s."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"
