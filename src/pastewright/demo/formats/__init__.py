"""The demo board in the other formats that a design comes in: SVG, DXF, a table, IPC-2581, and a centroid file.

All hold the same paste openings, outline and fiducials as the Gerber files (`demo.board`), so that every reader can be
measured against them. Each is written by hand or by a library of its own, never by the reader's code.
"""
