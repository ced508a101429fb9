"""Numbers as files want them: plain decimals, as few as say the same."""


def short(value: float, digits: int = 3) -> str:
    """Return a number with at most `digits` decimals, without trailing zeros and never as "-0".

    Three decimals of a millimetre are a micrometre, finer than anything drawn.
    """
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text if text not in {"-0", ""} else "0"
