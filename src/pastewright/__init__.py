"""pastewright: fabrication files in, a verified solder-paste dispensing program out."""

from pastewright.version import __version__

__all__ = ["__version__"]
