"""A board of a few pads on both sides, quick to plan and to lay: for whole commands at a terminal. Gerber X2 by hand."""

from pathlib import Path

SIZE_MM = (30.0, 20.0)
FIDUCIALS_MM = ((3.0, 3.0), (27.0, 17.0))
TOP_MM = ((8.0, 8.0), (11.0, 8.0), (20.0, 12.0), (23.0, 12.0))
BOTTOM_MM = ((10.0, 6.0), (13.0, 6.0), (22.0, 15.0))

HEAD = """%TF.GenerationSoftware,by hand,tests,1*%
%TF.FileFunction,{}*%
%TF.FilePolarity,Positive*%
%FSLAX46Y46*%
%MOMM*%
"""


def write_tiny_board(folder: Path) -> None:
    """Write its files into a folder, made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    width, height = SIZE_MM
    corners = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height), (0.0, 0.0)]
    path = "".join(f"{_at(x, y)}D0{2 if at == 0 else 1}*\n" for at, (x, y) in enumerate(corners))
    _write(folder / "tiny-outline.gbr", "Profile,NP", f"%ADD10C,0.100*%\nD10*\nG01*\n{path}")
    for side, number, pads in (("Top", 1, TOP_MM), ("Bot", 2, BOTTOM_MM)):
        layer = "%TA.AperFunction,SMDPad,CuDef*%\n%ADD10R,1.200X1.000*%\n%TD*%\nD10*\n" + _flashes(pads)
        marks = (
            "%TA.AperFunction,FiducialPad,Global*%\n%ADD11C,1.000*%\n%TD*%\nD11*\n" + _flashes(FIDUCIALS_MM)
            if side == "Top"
            else ""
        )
        _write(folder / f"tiny-{side}-copper.gbr", f"Copper,L{number},{side}", layer + marks)
        _write(
            folder / f"tiny-{side}-paste.gbr",
            f"Paste,{side}",
            "%ADD10R,1.100X0.900*%\nD10*\n" + _flashes(pads),
        )


def _at(x: float, y: float) -> str:
    return f"X{round(x * 1e6)}Y{round(y * 1e6)}"


def _flashes(places: tuple[tuple[float, float], ...]) -> str:
    return "".join(f"{_at(x, y)}D03*\n" for x, y in places)


def _write(file: Path, function: str, body: str) -> None:
    file.write_text(HEAD.format(function) + body + "M02*\n", "ascii")
