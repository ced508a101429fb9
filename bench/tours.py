"""Tour quality on published board-drilling instances: length over the published optimum, and seconds."""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "route"))
