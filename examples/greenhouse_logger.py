"""Write the demo board's fabrication files: a soil-moisture logger for greenhouses, 50 x 40 mm, both sides.

    python examples/greenhouse_logger.py [FOLDER]

writes FOLDER/x2 (Gerber X2 with attributes) and FOLDER/rs274x (old RS-274X in inches, with a netlist). Land
patterns and their sources stand in `pastewright.demo.patterns`.
"""

import sys
from pathlib import Path
from typing import get_args

from pastewright.demo.board import Flavour, write_demo


def main() -> None:
    """Write both flavours and say where they are."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "greenhouse_logger")
    for flavour in get_args(Flavour):
        paths = write_demo(folder / flavour, flavour)
        print(f"{len(paths)} files in {folder / flavour}")


if __name__ == "__main__":
    main()
