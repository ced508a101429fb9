"""`Motions` to the text of a program, in the dialect of the controller."""
