"""Fabrication files to `Board`: what is to be pasted, and where. Knows nothing of doses or machines."""
