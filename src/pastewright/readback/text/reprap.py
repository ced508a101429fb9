"""The table of printer firmware: public conventions of the RepRap family of controllers.

G0 moves at the feed F, as G1 does. G4 P counts milliseconds, S seconds. E words are positions after M82 and
distances after M83; G90 and G91 change that on some controllers and not on others, so the mode counts as
unstated until M82 or M83 comes again. Other letters are plain axes, ruled by G90 and G91. A line holds one
command. F is the speed of the path of X, Y and Z, and of the plunger where those stand still.
"""

from pastewright.readback.text.codes import ARC_LETTERS, Act, Code, Dialect, Group, letters

_F = letters("F")

CODES = {
    ("G", 0): Code(Act.RAPID, Group.MOTION, _F, axes=True),
    ("G", 10): Code(Act.FEED, Group.MOTION, _F, axes=True),
    ("G", 20): Code(Act.ARC_CW, Group.MOTION, _F | ARC_LETTERS, axes=True),
    ("G", 30): Code(Act.ARC_CCW, Group.MOTION, _F | ARC_LETTERS, axes=True),
    ("G", 40): Code(Act.DWELL, Group.ONE_SHOT, letters("PS")),
    ("G", 170): Code(Act.PLANE, Group.PLANE, value=17),
    ("G", 180): Code(Act.PLANE, Group.PLANE, value=18),
    ("G", 190): Code(Act.PLANE, Group.PLANE, value=19),
    ("G", 200): Code(Act.UNITS, Group.UNITS, value=25.4),
    ("G", 210): Code(Act.UNITS, Group.UNITS, value=1.0),
    ("G", 280): Code(Act.HOME, Group.ONE_SHOT, axes=True),
    ("G", 900): Code(Act.DISTANCE, Group.DISTANCE, value=1),
    ("G", 910): Code(Act.DISTANCE, Group.DISTANCE, value=0),
    ("G", 920): Code(Act.SET_OFFSET, Group.ONE_SHOT, axes=True),
    ("G", 921): Code(Act.CLEAR_OFFSET, Group.ONE_SHOT),
    ("M", 0): Code(Act.NOTHING, Group.OTHER),  # wait for the person
    ("M", 10): Code(Act.NOTHING, Group.OTHER),
    ("M", 170): Code(Act.NOTHING, Group.OTHER, axes=True),  # motors on
    ("M", 180): Code(Act.MOTORS_OFF, Group.OTHER, axes=True),
    ("M", 840): Code(Act.MOTORS_OFF, Group.OTHER, letters("S"), axes=True),
    ("M", 820): Code(Act.PLUNGER_MODE, Group.PLUNGER, value=1),
    ("M", 830): Code(Act.PLUNGER_MODE, Group.PLUNGER, value=0),
    ("M", 1050): Code(Act.NOTHING, Group.OTHER),  # asks for temperatures
    ("M", 1100): Code(Act.LINE_NUMBER, Group.OTHER, letters("N")),
    ("M", 1140): Code(Act.NOTHING, Group.OTHER),  # asks where the axes are
    ("M", 1150): Code(Act.NOTHING, Group.OTHER),  # asks for the firmware's name
    ("M", 1170): Code(Act.NOTHING, Group.OTHER),  # a message, its text is cut off before
    ("M", 1180): Code(Act.NOTHING, Group.OTHER),
    ("M", 2200): Code(Act.PERCENT, Group.OTHER, letters("S")),  # speeds
    ("M", 2210): Code(Act.PERCENT, Group.OTHER, letters("S")),  # plunger
    ("M", 3020): Code(Act.NOTHING, Group.OTHER, letters("PS")),  # lets E move without heat
    ("M", 4000): Code(Act.NOTHING, Group.OTHER),  # wait until all moves have ended
    ("T", 0): Code(Act.NOTHING, Group.OTHER),
}

REPRAP = Dialect(
    codes=CODES,
    dwell_p_s=0.001,
    dwell_s_word=True,
    rapid_feeds=True,
    one_command=True,
    scaled_letters=letters("EABCUVWHIJK"),
    own_plunger_mode=letters("E"),
    free_letters=frozenset(),
    must_state=("units", "distance"),
)
