"""Tour, deposits and plunger cycles to a timed list of moves in machine coordinates. No text of any dialect."""
