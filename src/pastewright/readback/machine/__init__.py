"""Rows to what the machine does in time: its axes, its visits below the travel height, its barrel."""
