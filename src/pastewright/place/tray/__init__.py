"""A tray of boards to `Placements`, and a layout put onto them in machine coordinates."""
