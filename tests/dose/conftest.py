"""Lets the tests of this folder import the boards made by hand."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "helpers"))
