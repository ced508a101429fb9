"""The demo board's files as a person has them: a zip, and a bench."""

import zipfile
from pathlib import Path

from pastewright.demo.board import write_demo
from pastewright.profile.examples import DEMO, example_text

NAME = "greenhouse-logger"


def demo_zip(folder: Path) -> Path:
    """A zip of the demo board in a folder of its own."""
    files = folder / NAME
    files.mkdir(parents=True)
    write_demo(files, "x2")
    packed = folder / f"{NAME}.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for file in sorted(files.iterdir()):
            archive.write(file, file.name)
    return packed


def write_bench(folder: Path) -> Path:
    """The demo bench as bench.toml."""
    bench = folder / "bench.toml"
    bench.write_text(example_text(DEMO), encoding="utf-8")
    return bench
