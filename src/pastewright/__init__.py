"""pastewright: fabrication files in, a verified solder-paste dispensing program out."""

__version__ = "0.1.0"
