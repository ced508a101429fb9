"""Inspection: photos of a pasted board against its plan, to what became of each deposit."""
