"""Touch-up: what an inspection found missing or low, laid among the paste that stands there."""
