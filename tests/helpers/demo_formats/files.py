"""The formats of the demo board by name."""

from collections.abc import Callable, Mapping

from demo_formats.dxf import dxf_bytes
from demo_formats.ipc2581 import ipc2581_text
from demo_formats.svg import svg_text
from demo_formats.table import table_text

FORMATS: Mapping[str, tuple[str, Callable[[], bytes]]] = {
    "svg": ("greenhouse-logger.svg", lambda: svg_text().encode()),
    "dxf": ("greenhouse-logger.dxf", dxf_bytes),
    "table": ("greenhouse-logger-pads.csv", lambda: table_text().encode()),
    "ipc2581": ("greenhouse-logger.xml", lambda: ipc2581_text().encode()),
}
"""File name and bytes of each single-file format."""
