"""IPC-2581 files to a board."""
