"""Learning from board to board: witness dots to a small change of few constants, findings to capability, notes to rules."""
