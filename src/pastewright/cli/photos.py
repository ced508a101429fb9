"""Photos as commands take them. Apart from `tuning`, whose fit takes a second to load."""

from collections.abc import Sequence
from pathlib import Path

from pastewright.photo.file import Photo, read_photo
from pastewright.problems import InputError, Problem


def loaded_photos(files: Sequence[Path]) -> list[Photo]:
    """Return the photos; every file that cannot be read is told at once."""
    photos: list[Photo] = []
    problems: list[Problem] = []
    for file in files:
        try:
            photos.append(read_photo(file))
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(problems)
    return photos


def overlay_names(photos: Sequence[str]) -> list[str]:
    """Return a file name for the picture of each photo, different ones for photos of one name."""
    stems = [Path(name).stem for name in photos]
    return [
        f"overlay-{stem}.png" if stems.count(stem) == 1 else f"overlay-{stem}-{number}.png"
        for number, stem in enumerate(stems, start=1)
    ]
