"""The pretend controller stands on its own: it shares nothing with the sender that is tested against it."""

import ast
import sys
from pathlib import Path

import pastewright.virtual as package

FOLDER = Path(package.__file__).parent
OWN = "pastewright.virtual"


def imported(path):
    """Return the modules that a file imports."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module is not None
            names.add(node.module)
    return names


def test_it_imports_the_standard_library_itself_and_problems_only():
    files = list(FOLDER.glob("*.py"))
    assert len(files) > 8
    for path in files:
        for name in imported(path):
            standard = name.split(".")[0] in sys.stdlib_module_names
            assert standard or name.startswith(OWN) or name == "pastewright.problems", f"{path.name}: {name}"


def test_only_the_edges_know_clocks_files_and_terminals():
    edges = {"port.py", "serve.py", "__main__.py"}
    for path in FOLDER.glob("*.py"):
        if path.name not in edges:
            assert not imported(path) & {"time", "os", "threading", "pathlib", "select", "signal", "socket"}
