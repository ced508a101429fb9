"""What the commands print: one module for each kind of thing said, and the consoles they print to."""
