"""A pretend machine behind a socket, in a thread of the test: its own books are looked at, whatever a page says."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "link"))

from server import Server

from pastewright.virtual import Manners, VirtualController


class Real:
    """A controller in real time, or `scale` times that."""

    def __init__(self, protocol: str = "reprap", *, scale: float = 1.0) -> None:
        self.controller = VirtualController(protocol, scale=scale, manners=Manners(chatter_lines=0))
        self.server = Server(self.controller)

    def __enter__(self):
        self.server.__enter__()
        return self

    def __exit__(self, *given):
        self.server.__exit__(*given)
