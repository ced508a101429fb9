"""What the numbers of `error:<n>` and `ALARM:<n>` mean, in the small-CNC protocol."""

# Answers that a program can meet, in the words of their public list (from memory).
ERRORS = {
    1: "a letter was expected",
    2: "a number is not well formed",
    3: "this $ word is not known",
    7: "settings could not be read",
    8: "this is not allowed while moving",
    9: "locked, after an alarm or while jogging",
    11: "the line is too long",
    15: "beyond the travel",
    17: "wrong mode",
    20: "a word that is not known",
    21: "two words of one modal group",
    22: "no feed yet",
    24: "two words that both want the axes",
    25: "a word twice",
    26: "no axis words",
    30: "a move without a number for an axis",
    31: "axis words that nothing uses",
    33: "a target that cannot be reached",
}
ALARMS = {
    1: "a limit switch was hit",
    2: "a target beyond the travel",
    3: "reset while moving",
    4: "probe in the wrong state",
    5: "probe did not touch",
    6: "homing was broken off by a reset",
    7: "homing: door open",
    8: "homing: switch not left",
    9: "homing: switch not found",
}
