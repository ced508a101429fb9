"""Doses to deposits: dots and beads, where and how big, do they fit, will they bridge."""
