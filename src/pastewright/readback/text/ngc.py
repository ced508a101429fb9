"""The table of RS274/NGC: NISTIR 6556 (2000), table 4 and sections 3.5 and 3.6.

G4 P counts seconds. F is the speed of the path of X, Y and Z; of the linear letters U, V, W where those stand
still; of the turning letters A, B, C in degrees per minute where all others do. With G93, F is one over the
minutes of the move. G20 and G21 say nothing about turning letters.

Left out, and reported as unknown: cutter and tool length compensation, canned cycles, probing, tool
changes, subroutines. A dispenser has no use for them and a wrong guess would move the tip.
"""

from pastewright.readback.text.codes import ARC_LETTERS, Code, CodeTable, Effect, ModalGroup, letters

CODES = {
    ("G", 0): Code(Effect.RAPID, ModalGroup.MOTION, axes=True),
    ("G", 10): Code(Effect.FEED, ModalGroup.MOTION, axes=True),
    ("G", 20): Code(Effect.ARC_CW, ModalGroup.MOTION, ARC_LETTERS, axes=True),
    ("G", 30): Code(Effect.ARC_CCW, ModalGroup.MOTION, ARC_LETTERS, axes=True),
    ("G", 800): Code(Effect.MOTION_OFF, ModalGroup.MOTION),
    ("G", 40): Code(Effect.DWELL, ModalGroup.ONE_SHOT, letters("P")),
    ("G", 100): Code(Effect.DATA, ModalGroup.ONE_SHOT, letters("LPR"), axes=True),
    ("G", 280): Code(Effect.HOME, ModalGroup.ONE_SHOT, axes=True),
    ("G", 300): Code(Effect.HOME, ModalGroup.ONE_SHOT, axes=True),
    ("G", 530): Code(Effect.MACHINE_COORDINATES, ModalGroup.ONE_SHOT),
    ("G", 920): Code(Effect.SET_OFFSET, ModalGroup.ONE_SHOT, axes=True),
    ("G", 921): Code(Effect.CLEAR_OFFSET, ModalGroup.ONE_SHOT),
    ("G", 922): Code(Effect.SUSPEND_OFFSET, ModalGroup.ONE_SHOT),
    ("G", 923): Code(Effect.RESTORE_OFFSET, ModalGroup.ONE_SHOT),
    ("G", 170): Code(Effect.PLANE, ModalGroup.PLANE, value=17),
    ("G", 180): Code(Effect.PLANE, ModalGroup.PLANE, value=18),
    ("G", 190): Code(Effect.PLANE, ModalGroup.PLANE, value=19),
    ("G", 200): Code(Effect.UNITS, ModalGroup.UNITS, value=25.4),
    ("G", 210): Code(Effect.UNITS, ModalGroup.UNITS, value=1.0),
    ("G", 400): Code(Effect.NOTHING, ModalGroup.CUTTER),  # cutter compensation off
    ("G", 490): Code(Effect.NOTHING, ModalGroup.LENGTH),  # tool length compensation off
    **{("G", 540 + 10 * k): Code(Effect.COORDINATES, ModalGroup.COORDINATES, value=1 + k) for k in range(6)},
    **{("G", 590 + k): Code(Effect.COORDINATES, ModalGroup.COORDINATES, value=6 + k) for k in range(1, 4)},
    ("G", 610): Code(Effect.NOTHING, ModalGroup.PATH),
    ("G", 611): Code(Effect.NOTHING, ModalGroup.PATH),
    ("G", 640): Code(Effect.NOTHING, ModalGroup.PATH, letters("PQ")),
    ("G", 900): Code(Effect.DISTANCE, ModalGroup.DISTANCE, value=1),
    ("G", 910): Code(Effect.DISTANCE, ModalGroup.DISTANCE, value=0),
    ("G", 911): Code(Effect.NOTHING, ModalGroup.ARC_DISTANCE),  # I J K from the start of the arc, as ever
    ("G", 930): Code(Effect.FEED_MODE, ModalGroup.FEED_MODE, value=1),
    ("G", 940): Code(Effect.FEED_MODE, ModalGroup.FEED_MODE, value=0),
    ("G", 980): Code(Effect.NOTHING, ModalGroup.RETURN),
    ("G", 990): Code(Effect.NOTHING, ModalGroup.RETURN),
    ("M", 0): Code(Effect.NOTHING, ModalGroup.STOP),  # wait for the person
    ("M", 10): Code(Effect.NOTHING, ModalGroup.STOP),
    ("M", 600): Code(Effect.NOTHING, ModalGroup.STOP),
    ("M", 20): Code(Effect.END, ModalGroup.STOP),
    ("M", 300): Code(Effect.END, ModalGroup.STOP),
    ("M", 50): Code(Effect.NOTHING, ModalGroup.SPINDLE),
    ("M", 70): Code(Effect.NOTHING, ModalGroup.COOLANT),
    ("M", 80): Code(Effect.NOTHING, ModalGroup.COOLANT),
    ("M", 90): Code(Effect.NOTHING, ModalGroup.COOLANT),
    ("M", 480): Code(Effect.NOTHING, ModalGroup.OVERRIDE),
    ("M", 490): Code(Effect.NOTHING, ModalGroup.OVERRIDE),
}

NGC = CodeTable(
    codes=CODES,
    dwell_p_s=1.0,
    dwell_s_word=False,
    rapid_feeds=False,
    one_command=False,
    scaled_letters=letters("UVW"),
    own_plunger_mode=frozenset(),
    free_letters=letters("FST"),
    must_state=("units", "distance", "feed mode", "coordinate system"),
)

# Section 3.7 (order of execution): what acts before what, whatever the order on the line.
ORDER = (
    Effect.FEED_MODE,
    Effect.DWELL,
    Effect.PLANE,
    Effect.UNITS,
    Effect.COORDINATES,
    Effect.DISTANCE,
    Effect.PLUNGER_MODE,
    Effect.DATA,
    Effect.HOME,
    Effect.SET_OFFSET,
    Effect.CLEAR_OFFSET,
    Effect.SUSPEND_OFFSET,
    Effect.RESTORE_OFFSET,
)
