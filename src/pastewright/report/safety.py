"""The cautions shown in the report and in the program's header: short, and deferring to data sheets and local rules."""

CAUTIONS = (
    "Run the program once in the air first, with the tip well above the board and the paste off (--dry).",
    "The gantry and the plunger pinch and crush: keep hands out while power is on, know where the stop is.",
    "A wrong board height drives the tip into the board: check the height and the clamps before each run.",
    "The barrel keeps its pressure after a stop: draw the plunger back before changing a tip, wear glasses.",
    "Use blunt tips only, cap them when idle, never test flow on skin.",
    "Solder paste and flux: gloves, no food or drink, wash hands; extract fumes at reflow; leaded paste and its"
    " wipes are hazardous waste.",
    "The paste maker's data sheet and your local rules come before anything said here.",
)
