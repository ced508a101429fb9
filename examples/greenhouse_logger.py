"""Write the demo board in every format: a soil-moisture logger for greenhouses, 50 x 40 mm, both sides.

    python examples/greenhouse_logger.py [FOLDER]

writes FOLDER/x2 (Gerber X2 with attributes), FOLDER/rs274x (old RS-274X in inches, with a netlist), and the same
board as FOLDER/svg, FOLDER/dxf, FOLDER/table (semicolons and decimal commas) and FOLDER/ipc2581, one file each.
FOLDER/centroid holds the old Gerber files with a centroid file in place of the netlist. Land patterns and their
sources stand in `pastewright.demo.patterns`.
"""

import sys
from pathlib import Path
from typing import get_args

from pastewright.demo.board import Flavour, write_demo
from pastewright.demo.formats.files import write_centroid_set, write_formats


def main() -> None:
    """Write all formats and say where they are."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "greenhouse_logger")
    for flavour in get_args(Flavour):
        paths = write_demo(folder / flavour, flavour)
        print(f"{len(paths)} files in {folder / flavour}")
    for path in write_formats(folder):
        print(path)
    print(f"{len(write_centroid_set(folder / 'centroid'))} files in {folder / 'centroid'}")


if __name__ == "__main__":
    main()
