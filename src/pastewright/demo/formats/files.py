"""The demo board written into files, one folder a format."""

from collections.abc import Callable, Mapping
from pathlib import Path

from pastewright.demo.board import write_demo
from pastewright.demo.formats.centroid import centroid_text
from pastewright.demo.formats.dxf import dxf_bytes
from pastewright.demo.formats.ipc2581 import ipc2581_text
from pastewright.demo.formats.svg import svg_text
from pastewright.demo.formats.table import table_text

FORMATS: Mapping[str, tuple[str, Callable[[], bytes]]] = {
    "svg": ("greenhouse-logger.svg", lambda: svg_text().encode()),
    "dxf": ("greenhouse-logger.dxf", dxf_bytes),
    "table": ("greenhouse-logger-pads.csv", lambda: table_text().encode()),
    "ipc2581": ("greenhouse-logger.xml", lambda: ipc2581_text().encode()),
}
"""File name and bytes of each single-file format."""


def write_formats(folder: Path) -> tuple[Path, ...]:
    """Write the demo board in every single-file format into folders of `folder`; return the paths."""
    written = []
    for name, (file, data) in FORMATS.items():
        path = folder / name / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data())
        written.append(path)
    return tuple(written)


def write_centroid_set(folder: Path) -> tuple[Path, ...]:
    """Write the old Gerber files with a centroid file instead of their netlist; return the paths."""
    written = [path for path in write_demo(folder, "rs274x") if path.suffix != ".IPC"]
    (folder / "GREENLOG.IPC").unlink()
    path = folder / "GREENLOG-centroid.csv"
    path.write_text(centroid_text(), encoding="utf-8")
    return (*written, path)
