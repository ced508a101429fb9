"""Photos of a sheet to measurements: find the dots, tell which is which, and measure how wide each is."""
