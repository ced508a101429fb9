"""A pretend controller for two public protocols, to rehearse runs on and to test the sender against.

It shares no code with the sender: the two meet only at bytes. `controller` has no port and no clock in it;
`port` runs it in real time, `python -m pastewright.virtual` serves it on a pseudo-terminal.
"""

from pastewright.virtual.controller import VirtualController
from pastewright.virtual.faults import Direction, Fault, FaultKind, Faults
from pastewright.virtual.reach import Ground
from pastewright.virtual.state import Executed, Manners, VirtualState

__all__ = [
    "Direction",
    "Executed",
    "Fault",
    "FaultKind",
    "Faults",
    "Ground",
    "Manners",
    "VirtualController",
    "VirtualState",
]
