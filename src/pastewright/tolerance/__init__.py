"""How far off deposits may be: the spread of the bench's constants, carried through the whole chain of strokes."""
