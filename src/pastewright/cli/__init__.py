"""The command line: reads, calls the stages, writes. No rule of its own lives here."""
