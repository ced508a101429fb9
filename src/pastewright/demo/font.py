"""A stroke font for the demo board's legend: capitals and digits, on a grid of 4 by 6."""

# Strokes are parted by "|", points by blanks; a point is x then y.
_GLYPHS = {
    "A": "00 04 26 44 40|02 42", "B": "00 06 36 45 44 33 03|33 42 41 30 00", "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00", "E": "40 00 06 46|03 33", "F": "00 06 46|03 33", "G": "45 36 16 05 01 10 30 41 43 23",
    "H": "00 06|40 46|03 43", "I": "10 30|20 26|16 36", "J": "01 10 30 41 46", "K": "00 06|46 03 40", "L": "06 00 40",
    "M": "00 06 23 46 40", "N": "00 06 40 46", "O": "10 01 05 16 36 45 41 30 10", "P": "00 06 36 45 44 33 03",
    "Q": "10 01 05 16 36 45 41 30 10|22 40", "R": "00 06 36 45 44 33 03|23 40", "S": "01 10 30 41 42 33 13 04 05 16 36 45",
    "T": "06 46|26 20", "U": "06 01 10 30 41 46", "V": "06 20 46", "W": "06 10 23 30 46", "X": "00 46|06 40",
    "Y": "06 23 46|23 20", "Z": "06 46 00 40", "0": "10 01 05 16 36 45 41 30 10|01 45", "1": "05 26 20|00 40",
    "2": "05 16 36 45 44 00 40", "3": "05 16 36 45 44 33 13|33 42 41 30 10 01", "4": "30 36 02 42",
    "5": "46 06 03 33 42 41 30 00",
    "6": "36 16 04 01 10 30 41 42 33 03", "7": "06 46 10", "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33",
    "9": "10 30 42 45 36 16 05 04 13 43",
}  # fmt: skip
_ADVANCE = 5.4  # strokes of a letter are 4 wide


def text_strokes(text: str, height: float) -> list[tuple[tuple[float, float], ...]]:
    """Return the strokes of `text` [mm], its lower left at (0, 0), letters `height` mm high."""
    unit = height / 6
    strokes: list[tuple[tuple[float, float], ...]] = []
    for i, letter in enumerate(text):
        for stroke in _GLYPHS.get(letter, "").split("|"):
            points = tuple(
                ((i * _ADVANCE + int(point[0])) * unit, int(point[1]) * unit) for point in stroke.split()
            )
            if points:
                strokes.append(points)
    return strokes
