"""The sheet of dots: what is laid where, why, and the program that lays it."""
