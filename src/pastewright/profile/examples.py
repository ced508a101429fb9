"""The example benches that come with the package."""

from functools import cache
from importlib.resources import files

from pastewright.materials.tables import nearest
from pastewright.problems import one_error

# The bench of `pastewright demo`.
DEMO = "bench-reprap-e"

_FOLDER = files("pastewright.profile").joinpath("examples")


@cache
def example_names() -> tuple[str, ...]:
    """Return the names of the example benches, the demo's first."""
    names = sorted(
        entry.name.removesuffix(".toml") for entry in _FOLDER.iterdir() if entry.name.endswith(".toml")
    )
    return (DEMO, *(name for name in names if name != DEMO))


def example_text(name: str) -> str:
    """Return the profile file of an example bench; InputError names the ones there are."""
    if name not in example_names():
        close = nearest(name, example_names())
        hint = f"Did you mean {close}? " if close else ""
        raise one_error(
            f"there is no example bench {name}", hint + "There are: " + ", ".join(example_names()) + "."
        )
    return _FOLDER.joinpath(f"{name}.toml").read_text(encoding="utf-8")
