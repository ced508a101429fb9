"""Where the helpers of these tests are found."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "helpers"))
