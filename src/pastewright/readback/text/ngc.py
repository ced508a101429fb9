"""The table of RS274/NGC: NISTIR 6556 (2000), table 4 and sections 3.5 and 3.6.

G4 P counts seconds. F is the speed of the path of X, Y and Z; of the linear letters U, V, W where those stand
still; of the turning letters A, B, C in degrees per minute where all others do. With G93, F is one over the
minutes of the move. G20 and G21 say nothing about turning letters.

Left out, and reported as unknown: cutter and tool length compensation, canned cycles, probing, tool
changes, subroutines. A dispenser has no use for them and a wrong guess would move the tip.
"""

from pastewright.readback.text.codes import ARC_LETTERS, Act, Code, Dialect, Group, letters

CODES = {
    ("G", 0): Code(Act.RAPID, Group.MOTION, axes=True),
    ("G", 10): Code(Act.FEED, Group.MOTION, axes=True),
    ("G", 20): Code(Act.ARC_CW, Group.MOTION, ARC_LETTERS, axes=True),
    ("G", 30): Code(Act.ARC_CCW, Group.MOTION, ARC_LETTERS, axes=True),
    ("G", 800): Code(Act.MOTION_OFF, Group.MOTION),
    ("G", 40): Code(Act.DWELL, Group.ONE_SHOT, letters("P")),
    ("G", 100): Code(Act.DATA, Group.ONE_SHOT, letters("LPR"), axes=True),
    ("G", 280): Code(Act.HOME, Group.ONE_SHOT, axes=True),
    ("G", 300): Code(Act.HOME, Group.ONE_SHOT, axes=True),
    ("G", 530): Code(Act.MACHINE_COORDINATES, Group.ONE_SHOT),
    ("G", 920): Code(Act.SET_OFFSET, Group.ONE_SHOT, axes=True),
    ("G", 921): Code(Act.CLEAR_OFFSET, Group.ONE_SHOT),
    ("G", 922): Code(Act.SUSPEND_OFFSET, Group.ONE_SHOT),
    ("G", 923): Code(Act.RESTORE_OFFSET, Group.ONE_SHOT),
    ("G", 170): Code(Act.PLANE, Group.PLANE, value=17),
    ("G", 180): Code(Act.PLANE, Group.PLANE, value=18),
    ("G", 190): Code(Act.PLANE, Group.PLANE, value=19),
    ("G", 200): Code(Act.UNITS, Group.UNITS, value=25.4),
    ("G", 210): Code(Act.UNITS, Group.UNITS, value=1.0),
    ("G", 400): Code(Act.NOTHING, Group.CUTTER),  # cutter compensation off
    ("G", 490): Code(Act.NOTHING, Group.LENGTH),  # tool length compensation off
    **{("G", 540 + 10 * k): Code(Act.COORDINATES, Group.COORDINATES, value=1 + k) for k in range(6)},
    **{("G", 590 + k): Code(Act.COORDINATES, Group.COORDINATES, value=6 + k) for k in range(1, 4)},
    ("G", 610): Code(Act.NOTHING, Group.PATH),
    ("G", 611): Code(Act.NOTHING, Group.PATH),
    ("G", 640): Code(Act.NOTHING, Group.PATH, letters("PQ")),
    ("G", 900): Code(Act.DISTANCE, Group.DISTANCE, value=1),
    ("G", 910): Code(Act.DISTANCE, Group.DISTANCE, value=0),
    ("G", 911): Code(Act.NOTHING, Group.ARC_DISTANCE),  # I J K from the start of the arc, as ever
    ("G", 930): Code(Act.FEED_MODE, Group.FEED_MODE, value=1),
    ("G", 940): Code(Act.FEED_MODE, Group.FEED_MODE, value=0),
    ("G", 980): Code(Act.NOTHING, Group.RETURN),
    ("G", 990): Code(Act.NOTHING, Group.RETURN),
    ("M", 0): Code(Act.NOTHING, Group.STOP),  # wait for the person
    ("M", 10): Code(Act.NOTHING, Group.STOP),
    ("M", 600): Code(Act.NOTHING, Group.STOP),
    ("M", 20): Code(Act.END, Group.STOP),
    ("M", 300): Code(Act.END, Group.STOP),
    ("M", 50): Code(Act.NOTHING, Group.SPINDLE),
    ("M", 70): Code(Act.NOTHING, Group.COOLANT),
    ("M", 80): Code(Act.NOTHING, Group.COOLANT),
    ("M", 90): Code(Act.NOTHING, Group.COOLANT),
    ("M", 480): Code(Act.NOTHING, Group.OVERRIDE),
    ("M", 490): Code(Act.NOTHING, Group.OVERRIDE),
}

NGC = Dialect(
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
    Act.FEED_MODE,
    Act.DWELL,
    Act.PLANE,
    Act.UNITS,
    Act.COORDINATES,
    Act.DISTANCE,
    Act.PLUNGER_MODE,
    Act.DATA,
    Act.HOME,
    Act.SET_OFFSET,
    Act.CLEAR_OFFSET,
    Act.SUSPEND_OFFSET,
    Act.RESTORE_OFFSET,
)
