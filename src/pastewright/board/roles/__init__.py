"""Which file is which layer, by what it says of itself and by its name."""
