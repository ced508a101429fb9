"""A second opinion: reads a program as the controller would, simulates it, and gives the verdict.

Shares values and units with the writer, never its code: nothing here imports `plunger`, `route`, `motion` or
`program`.
"""
