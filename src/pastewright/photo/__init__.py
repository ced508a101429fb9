"""Photos of sheets and boards: a file to pixels, pixels to light, and the plane a camera looked at."""
