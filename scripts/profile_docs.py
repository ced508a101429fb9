"""Renews the tables in docs/profile.md from the key table. `--check` only tells whether the page is current."""

import sys
from pathlib import Path

from pastewright.profile.examples import example_names, example_text
from pastewright.profile.keys import SECTIONS, Key, KeyNeed, Value

PAGE = Path(__file__).resolve().parent.parent / "docs" / "profile.md"
MARK = "<!-- below: made from the key table by scripts/profile_docs.py; do not edit -->\n"


def page_text(current: str) -> str:
    """Return the page: what stands above the mark in `current`, then the tables."""
    top, mark, _ = current.partition(MARK)
    if not mark:
        raise SystemExit(f"{PAGE} has lost its mark: {MARK.strip()}")
    return top + mark + "\n" + "\n".join((*_sections(), *_examples()))


def _sections() -> list[str]:
    lines: list[str] = []
    for section in SECTIONS:
        title = (
            "Top of the file"
            if not section.name
            else f"`[[{section.name}]]`"
            if section.repeated
            else f"`[{section.name}]`"
        )
        lines += [f"## {title}", "", section.about, ""]
        lines += ["| key | accepts | default | meaning |", "|---|---|---|---|"]
        lines += [
            f"| `{key.name}` | {key.accepts} | {_default(key)} | {_escaped(key.comment)} |"
            for key in section.keys
        ]
        lines.append("")
    return lines


def _default(key: Key) -> str:
    if key.need is KeyNeed.REQUIRED:
        return "**required**"
    return "–" if key.default is None else f"`{_toml(key.default)}`"


def _toml(value: Value | float) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(f"[{ratio:g}, {percent:g}]" for ratio, percent in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _escaped(text: str) -> str:
    return text.replace("|", "\\|").replace("*checksums", "\\*checksums")


def _examples() -> list[str]:
    lines = ["## Example benches", ""]
    for name in example_names():
        about = [
            line.removeprefix("#").strip() for line in example_text(name).splitlines() if line.startswith("#")
        ]
        lines += [f"- `{name}`: " + " ".join(about)]
    return [*lines, ""]


def main() -> None:
    current = PAGE.read_text(encoding="utf-8")
    renewed = page_text(current)
    if "--check" in sys.argv[1:]:
        if renewed != current:
            raise SystemExit("docs/profile.md is out of date: run scripts/profile_docs.py")
        return
    PAGE.write_text(renewed, encoding="utf-8")


if __name__ == "__main__":
    main()
