"""Alloys, powders, pastes, tips, barrels and screws: values and the tables they come from."""
