"""How many of what, in words: "1 pad", "2 pads", "2 min 05 s"."""


def counted(number: int, noun: str, plural: str = "") -> str:
    """Return a number with its noun; `plural` where that is not the noun and an s."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def clock_words(seconds: float) -> str:
    """Return a time in whole seconds, from a minute and a half on in minutes: 119.8 s is "2 min 00 s"."""
    whole = round(seconds)
    return f"{whole} s" if whole < 90 else f"{whole // 60} min {whole % 60:02d} s"
