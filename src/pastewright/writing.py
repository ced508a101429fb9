"""Results to files: one way to say that a file cannot be written."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pastewright.problems import one_error


@contextmanager
def writing(what: str, path: Path, mend: str = "Choose another --out.") -> Iterator[None]:
    """Turn an `OSError` of the body into an `InputError`: `what` cannot be written here, or to the file it names."""
    try:
        yield
    except OSError as error:
        raise one_error(
            f"{what} cannot be written: {error.strerror or error}", mend, file=str(error.filename or path)
        ) from None


def write_text(path: Path, text: str, *, what: str, mend: str = "Choose another --out.") -> None:
    """Write a text with the folders it needs; raises `InputError` where that is not possible."""
    with writing(what, path, mend):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")


def refuse_existing(path: Path, mend: str) -> None:
    """Raise `InputError` where a file is there already."""
    if path.exists():
        raise one_error("this file is there already", mend, file=str(path))
