"""Where the parts of the demo board stand."""

from pastewright.demo.formats.openings import number
from pastewright.demo.layout import PARTS


def centroid_text() -> str:
    """Return where the parts stand, in mil and from the board's own corner: not the origin of the Gerber files."""
    rows = ["Designator,Package,Mid X,Mid Y,Rotation,Layer,Comment", "# units: mil"]
    rows += [
        f"{part.ref},{part.pattern.name},{number(part.x / 0.0254)},{number(part.y / 0.0254)},{part.turn_deg % 360},"
        f'{"BottomLayer" if part.bottom else "TopLayer"},"{part.value}"'
        for part in PARTS
    ]
    return "\n".join([rows[1], rows[0], *rows[2:], ""])
