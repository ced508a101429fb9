"""Photos of sheets and boards: a file to pixels, pixels to light, and the plane a camera looked at."""

PHOTO_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".heic", ".heif"})
"""How the names of photos end; told here, where no library for pictures is loaded."""
