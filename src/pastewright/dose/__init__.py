"""`Board` to doses: how much paste each pad needs, and why. Knows nothing of tips or machines."""
