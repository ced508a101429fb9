"""The table of printer firmware: public conventions of the RepRap family of controllers.

G0 moves at the feed F, as G1 does. G4 P counts milliseconds, S seconds. E words are positions after M82 and
distances after M83; G90 and G91 change that on some controllers and not on others, so the mode counts as
unstated until M82 or M83 comes again. Other letters are plain axes, ruled by G90 and G91. A line holds one
command. F is the speed of the path of X, Y and Z, and of the plunger where those stand still.
"""

from pastewright.readback.text.codes import ARC_LETTERS, Code, CodeTable, Effect, ModalGroup, letters

_F = letters("F")

CODES = {
    ("G", 0): Code(Effect.RAPID, ModalGroup.MOTION, _F, axes=True),
    ("G", 10): Code(Effect.FEED, ModalGroup.MOTION, _F, axes=True),
    ("G", 20): Code(Effect.ARC_CW, ModalGroup.MOTION, _F | ARC_LETTERS, axes=True),
    ("G", 30): Code(Effect.ARC_CCW, ModalGroup.MOTION, _F | ARC_LETTERS, axes=True),
    ("G", 40): Code(Effect.DWELL, ModalGroup.ONE_SHOT, letters("PS")),
    ("G", 170): Code(Effect.PLANE, ModalGroup.PLANE, value=17),
    ("G", 180): Code(Effect.PLANE, ModalGroup.PLANE, value=18),
    ("G", 190): Code(Effect.PLANE, ModalGroup.PLANE, value=19),
    ("G", 200): Code(Effect.UNITS, ModalGroup.UNITS, value=25.4),
    ("G", 210): Code(Effect.UNITS, ModalGroup.UNITS, value=1.0),
    ("G", 280): Code(Effect.HOME, ModalGroup.ONE_SHOT, axes=True),
    ("G", 900): Code(Effect.DISTANCE, ModalGroup.DISTANCE, value=1),
    ("G", 910): Code(Effect.DISTANCE, ModalGroup.DISTANCE, value=0),
    ("G", 920): Code(Effect.SET_OFFSET, ModalGroup.ONE_SHOT, axes=True),
    ("G", 921): Code(Effect.CLEAR_OFFSET, ModalGroup.ONE_SHOT),
    ("M", 0): Code(Effect.NOTHING, ModalGroup.OTHER),  # wait for the person
    ("M", 10): Code(Effect.NOTHING, ModalGroup.OTHER),
    ("M", 170): Code(Effect.NOTHING, ModalGroup.OTHER, axes=True),  # motors on
    ("M", 180): Code(Effect.MOTORS_OFF, ModalGroup.OTHER, axes=True),
    ("M", 840): Code(Effect.MOTORS_OFF, ModalGroup.OTHER, letters("S"), axes=True),
    ("M", 820): Code(Effect.PLUNGER_MODE, ModalGroup.PLUNGER, value=1),
    ("M", 830): Code(Effect.PLUNGER_MODE, ModalGroup.PLUNGER, value=0),
    ("M", 1050): Code(Effect.NOTHING, ModalGroup.OTHER),  # asks for temperatures
    ("M", 1100): Code(Effect.LINE_NUMBER, ModalGroup.OTHER, letters("N")),
    ("M", 1140): Code(Effect.NOTHING, ModalGroup.OTHER),  # asks where the axes are
    ("M", 1150): Code(Effect.NOTHING, ModalGroup.OTHER),  # asks for the firmware's name
    ("M", 1170): Code(Effect.NOTHING, ModalGroup.OTHER),  # a message, its text is cut off before
    ("M", 1180): Code(Effect.NOTHING, ModalGroup.OTHER),
    ("M", 2200): Code(Effect.PERCENT, ModalGroup.OTHER, letters("S")),  # speeds
    ("M", 2210): Code(Effect.PERCENT, ModalGroup.OTHER, letters("S")),  # plunger
    ("M", 3020): Code(Effect.NOTHING, ModalGroup.OTHER, letters("PS")),  # lets E move without heat
    ("M", 4000): Code(Effect.NOTHING, ModalGroup.OTHER),  # wait until all moves have ended
    ("T", 0): Code(Effect.NOTHING, ModalGroup.OTHER),
}

REPRAP = CodeTable(
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
