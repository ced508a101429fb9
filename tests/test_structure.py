"""What holds for the code as a whole: one home a class name, modules of one reading, functions of one screen."""

import ast
from collections import defaultdict
from pathlib import Path

SOURCE = Path(__file__).resolve().parent.parent / "src" / "pastewright"
MOST_LINES = 400
MOST_LINES_OF_A_FUNCTION = 60


WHOLE = {
    "tune/photo/measure.py _readings": "one pass over all dots, whose dozen arrays belong together",
    "report/compare_svg.py compare_svg": "the parts of one picture, top to bottom",
}
"""Longer functions, and why they stay whole."""


def modules() -> list[tuple[Path, str, ast.Module]]:
    found = [(path, path.read_text("utf-8")) for path in sorted(SOURCE.rglob("*.py"))]
    return [(path.relative_to(SOURCE), text, ast.parse(text)) for path, text in found]


MODULES = modules()


def homes(trees: list[tuple[Path, str, ast.Module]]) -> dict[str, list[str]]:
    """Where each public class is defined."""
    found: dict[str, list[str]] = defaultdict(list)
    for path, _, tree in trees:
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                found[node.name].append(str(path))
    return found


def test_a_class_name_has_one_home():
    assert len(homes(MODULES)) > 200
    twice = {name: where for name, where in homes(MODULES).items() if len(where) > 1}
    assert not twice, f"say which one it is in its name, see docs/concepts.md: {twice}"


def test_two_homes_would_be_seen():
    tree = ast.parse("class Tour:\n    pass\n")
    assert homes([*MODULES, (Path("elsewhere.py"), "", tree)])["Tour"] == ["route/model.py", "elsewhere.py"]


def test_a_longer_module_says_why():
    silent = [
        f"{path} ({len(text.splitlines())} lines)"
        for path, text, tree in MODULES
        if len(text.splitlines()) > MOST_LINES and "Longer than" not in (ast.get_docstring(tree) or "")
    ]
    assert not silent, (
        f"split by idea, or say in the docstring: Longer than {MOST_LINES} lines because …: {silent}"
    )


def body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function without its signature and docstring: options of commands stand in signatures."""
    body = node.body[1:] if ast.get_docstring(node) and len(node.body) > 1 else node.body
    return (node.end_lineno or 0) - body[0].lineno + 1


def test_functions_fit_a_screen():
    long = [
        f"{path}:{node.lineno} {node.name} ({body_lines(node)} lines)"
        for path, _, tree in MODULES
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and body_lines(node) > MOST_LINES_OF_A_FUNCTION
        and f"{path} {node.name}" not in WHOLE
    ]
    assert not long, long
