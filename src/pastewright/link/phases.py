"""Where a run is, what moves it on, and the one table of both.

    phase        cue            next         what it is
    CONNECTING   READY          PREPARING    handshake; then home, setup and settling strip go out
    PREPARING    PASSED         LAYING       the tip is at travel height, the barrel at rest
    LAYING       PASSED         LAYING       a group of deposits (usually one) and a barrier
    LAYING       PASSED, pause  PAUSED       before the next deposit
    LAYING       PASSED, none   ENDING       all laid; park and whatever the program ends with
    ENDING       PASSED         FINISHED
    PAUSED       GO_ON          LAYING
    moving       HOLD           HELD         at once, where the protocol has a byte for it
    HELD         GO_ON          as before
    any          STOP           STOPPING     motion ends, the tip is lifted, the paste relieved
    STOPPING     PASSED         STOPPED
    any          LOST           LOST         reset, alarm, silence, unplugged: nothing more is sent

Where `moving` is PREPARING, LAYING or ENDING.
"""

from enum import StrEnum


class Phase(StrEnum):
    """Where a run is."""

    CONNECTING = "connecting"
    PREPARING = "preparing"
    LAYING = "laying"
    PAUSED = "paused"
    HELD = "held"
    ENDING = "ending"
    STOPPING = "stopping"
    FINISHED = "finished"
    STOPPED = "stopped"
    LOST = "lost"


class Cue(StrEnum):
    """What moves a run on."""

    READY = "ready"
    PASSED = "passed"
    PASSED_PAUSE = "passed, pause wanted"
    ALL_LAID = "passed, nothing left"
    GO_ON = "go on"
    HOLD = "hold"
    STOP = "stop"
    LOST = "lost"


MOVING = (Phase.PREPARING, Phase.LAYING, Phase.ENDING)
OVER = (Phase.FINISHED, Phase.STOPPED, Phase.LOST)

TABLE: dict[tuple[Phase, Cue], Phase] = {
    (Phase.CONNECTING, Cue.READY): Phase.PREPARING,
    (Phase.PREPARING, Cue.PASSED): Phase.LAYING,
    (Phase.PREPARING, Cue.PASSED_PAUSE): Phase.PAUSED,
    (Phase.PREPARING, Cue.ALL_LAID): Phase.ENDING,
    (Phase.LAYING, Cue.PASSED): Phase.LAYING,
    (Phase.LAYING, Cue.PASSED_PAUSE): Phase.PAUSED,
    (Phase.LAYING, Cue.ALL_LAID): Phase.ENDING,
    (Phase.ENDING, Cue.PASSED): Phase.FINISHED,
    (Phase.PAUSED, Cue.GO_ON): Phase.LAYING,
    (Phase.STOPPING, Cue.READY): Phase.STOPPING,
    (Phase.STOPPING, Cue.PASSED): Phase.STOPPED,
    (Phase.CONNECTING, Cue.STOP): Phase.STOPPED,
    **{(phase, Cue.HOLD): Phase.HELD for phase in MOVING},
    **{(phase, Cue.STOP): Phase.STOPPING for phase in (*MOVING, Phase.PAUSED, Phase.HELD)},
    **{(phase, Cue.LOST): Phase.LOST for phase in Phase if phase not in OVER},
}
