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

sys.path.append(str(Path(__file__).resolve().parents[1] / "tests" / "helpers"))

from demo_formats.centroid import centroid_text
from demo_formats.files import FORMATS

from pastewright.demo.board import Flavour, write_demo


def main() -> None:
    """Write all formats and say where they are."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "greenhouse_logger")
    for flavour in get_args(Flavour):
        paths = write_demo(folder / flavour, flavour)
        print(f"{len(paths)} files in {folder / flavour}")
    for name, (file, content) in FORMATS.items():
        path = folder / name / file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content())
        print(path)
    set_with_centroid = write_demo(folder / "centroid", "rs274x")
    (folder / "centroid" / "GREENLOG.IPC").unlink()
    (folder / "centroid" / "GREENLOG-centroid.csv").write_text(centroid_text(), encoding="utf-8")
    print(f"{len(set_with_centroid)} files in {folder / 'centroid'}")


if __name__ == "__main__":
    main()
