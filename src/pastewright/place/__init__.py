"""Where boards lie: points found and heights probed to a `Placement`, board coordinates to machine coordinates."""
