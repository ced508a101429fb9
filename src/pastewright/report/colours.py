"""The colours of every picture, told apart by lightness as well as by hue.

Board parts keep to earth and leaf tones; paste is light; what needs a look is magenta and always carries a ring
as well, so that no meaning hangs on colour alone.
"""

GROUND = "#12261f"
BOARD = "#1f4034"
BOARD_EDGE = "#8db8a0"
LAND = "#b98f4a"
LAND_BARE = "#6f6146"
APERTURE = "#f3dca4"
HOLE = "#0b1512"
FIDUCIAL = "#e8c547"
TRAVEL = "#7fd1c0"
LOOK = "#ff5fa8"
LEFT_OUT = "#8a7f92"

# Paste by how much of its target is planned: trimmed through right to raised.
FILL_SCALE = (
    (0.60, "#5b8dd6", "under 70 %"),
    (0.80, "#9bbfe6", "70 to 90 %"),
    (1.00, "#eef1ee", "90 to 110 %"),
    (1.20, "#f0b268", "110 to 130 %"),
    (1.40, "#d9663b", "over 130 %"),
)
FILL_EDGES = (0.70, 0.90, 1.10, 1.30)


def fill_colour(fill: float) -> str:
    """Return the colour of paste that is `fill` times its target [-]."""
    for edge, (_, colour, _) in zip(FILL_EDGES, FILL_SCALE, strict=False):
        if fill < edge:
            return colour
    return FILL_SCALE[-1][1]
