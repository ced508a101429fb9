"""Text of a TOML file to the lines its keys stand on, which the standard parser does not tell.

Only for text that `tomllib` has accepted: nothing is checked here again.
"""

from collections.abc import Iterator, Mapping

Path = tuple[str | int, ...]


def key_lines(text: str) -> Mapping[Path, int]:
    """Return the line (1-based) of every table header and key by its path, such as ("dose", "rule", 0, "ref").

    Entries of [[arrays]] of tables are numbered from 0. Keys inside an inline table have the line of the
    whole statement.
    """
    lines: dict[Path, int] = {}
    counts: dict[tuple[str, ...], int] = {}
    table: Path = ()
    for line, statement in _statements(text):
        if statement.startswith("[["):
            names = _key_parts(statement[2:])[0]
            counts[names] = counts.get(names, -1) + 1
            # A new entry of an outer array starts the count of the arrays inside it again.
            for other in [other for other in counts if other[: len(names)] == names and other != names]:
                del counts[other]
            table = _numbered(names, counts)
            lines[table] = line
            lines.setdefault(names, line)
        elif statement.startswith("["):
            table = _numbered(_key_parts(statement[1:])[0], counts)
            lines[table] = line
        else:
            names, rest = _key_parts(statement)
            for depth in range(1, len(names) + 1):
                lines.setdefault(table + names[:depth], line)
            _inline(rest.lstrip(), table + names, line, lines)
    return lines


def _numbered(names: tuple[str, ...], counts: Mapping[tuple[str, ...], int]) -> Path:
    path: Path = ()
    for depth, name in enumerate(names, start=1):
        path = (*path, name)
        if names[:depth] in counts:
            path = (*path, counts[names[:depth]])
    return path


def _inline(value: str, path: Path, line: int, lines: dict[Path, int]) -> None:
    """Give the keys of an inline table its line; deeper ones are found through their parents."""
    if not value.startswith("{"):
        return
    at = 1
    while at < len(value):
        names, rest = _key_parts(value[at:])
        if not names:
            return
        lines.setdefault((*path, *names), line)
        at = len(value) - len(rest)
        depth = 0
        while at < len(value) and (depth or value[at] not in ",}"):
            if value[at] in "\"'":
                at = _string_end(value, at)
                continue
            depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(value[at], 0)
            at += 1
        if value[at : at + 1] != ",":
            return
        at += 1


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Yield each header or key with its value, and the line it starts on; comments are left out."""
    at, line, start, depth = 0, 1, 1, 0
    parts: list[str] = []
    started = False
    while at <= len(text):
        letter = text[at : at + 1]
        if letter in ("", "\n") and not depth:
            statement = "".join(parts).strip()
            if statement:
                yield start, statement
            parts, started = [], False
        if letter == "":
            return
        if letter in "\"'":
            end = _string_end(text, at)
        elif letter == "#":
            end = text.find("\n", at)
            at = len(text) if end < 0 else end
            continue
        else:
            end = at + 1
            # A header's brackets balance as an array's do, and both end on their own line's end.
            depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(letter, 0)
        if not started and not letter.isspace():
            started, start = True, line
        parts.append(text[at:end])
        line += text.count("\n", at, end)
        at = end


def _string_end(text: str, at: int) -> int:
    """Return the index behind the string that starts at `at`, of any of TOML's four kinds."""
    quote = text[at]
    if text.startswith(quote * 3, at):
        close = at + 3
        while not text.startswith(quote * 3, close):
            close += 2 if quote == '"' and text[close] == "\\" else 1
        close += 3
        # Up to two quotes may stand just before the closing three.
        while close < len(text) and text[close] == quote:
            close += 1
        return close
    close = at + 1
    while text[close] != quote:
        close += 2 if quote == '"' and text[close] == "\\" else 1
    return close + 1


def _key_parts(text: str) -> tuple[tuple[str, ...], str]:
    """Return the names of a dotted key, and what follows its `=` or `]`."""
    names: list[str] = []
    at = 0
    while at < len(text) and text[at] not in "=]}":
        if text[at] in "\"'":
            end = _string_end(text, at)
            names.append(text[at + 1 : end - 1])
            at = end
        elif text[at] in " \t\n.":
            at += 1
        else:
            end = at
            while end < len(text) and text[end] not in " \t\n.=]":
                end += 1
            names.append(text[at:end])
            at = end
    return tuple(names), text[at + 1 :]
