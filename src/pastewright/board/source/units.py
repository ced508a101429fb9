"""Words for units of length, as people and files write them, to millimetres."""

from pastewright.problems import one_error

# Exact: the inch is 25.4 mm (international yard and pound agreement, 1959).
UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "um": 0.001, "nm": 1e-6, "in": 25.4, "mil": 0.0254}
_SAME = {
    "millimeter": "mm",
    "millimeters": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "metric": "mm",
    "centimeter": "cm",
    "centimetre": "cm",
    "meter": "m",
    "metre": "m",
    "micron": "um",
    "microns": "um",
    "micrometer": "um",
    "micrometre": "um",
    "µm": "um",
    "μm": "um",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "imperial": "in",
    "mils": "mil",
    "thou": "mil",
    "th": "mil",
}
NAMES = tuple(UNIT_MM)


def unit_name(word: str) -> str:
    """Return the unit that a word names ("Inches" -> "in"), "" when it names none."""
    low = word.strip().strip(".()[]").lower()
    low = _SAME.get(low, low)
    return low if low in UNIT_MM else ""


def unit_mm(word: str, file: str = "") -> float:
    """Return millimetres per unit; raises `InputError` for a word that is no unit of length."""
    name = unit_name(word)
    if not name:
        raise one_error(f"--units {word!r} is no unit of length", f"Units are {', '.join(NAMES)}.", file=file)
    return UNIT_MM[name]
