"""Lines of keys in TOML text, against texts whose lines are known because they were built line by line."""

import tomllib
from textwrap import dedent

from hypothesis import given
from hypothesis import strategies as st

from pastewright.profile.lines import key_lines

TRICKY = dedent('''\
    # a comment with [brackets] and = signs
    top = 1   # another "comment
    "quoted key" = "a # b"

    [ one . two ]
    long = [
        "]",   # ] in a comment
        [1, 2],
    ]
    text = """
    [not a header]
    not = "a key"
    ends with two quotes"""""
    raw = \'\'\'
    # kept \\\'\'\'
    after.dotted = { inner = 1, "other" = { deep = "}" } }
    [[rule]]
    ref = 'x"'
      [[rule]]
      ref = "\\"#"
    [rule.inside]
    a = 2020-01-01 12:00:00
    [[rule.many]]
    b = 1
    [[rule]]
    [[rule.many]]
    c = 1
    ''')


def test_lines_of_a_text_with_every_trap():
    tomllib.loads(TRICKY)
    lines = key_lines(TRICKY)
    expected = {
        ("top",): 2,
        ("quoted key",): 3,
        ("one", "two"): 5,
        ("one", "two", "long"): 6,
        ("one", "two", "text"): 10,
        ("one", "two", "raw"): 14,
        ("one", "two", "after", "dotted"): 16,
        ("one", "two", "after", "dotted", "inner"): 16,
        ("one", "two", "after", "dotted", "other"): 16,
        ("rule", 0): 17,
        ("rule", 0, "ref"): 18,
        ("rule", 1): 19,
        ("rule", 1, "ref"): 20,
        ("rule", 1, "inside"): 21,
        ("rule", 1, "inside", "a"): 22,
        ("rule", 1, "many", 0, "b"): 24,
        ("rule", 2): 25,
        ("rule", 2, "many", 0, "c"): 27,
    }
    assert {path: lines.get(path) for path in expected} == expected


bare = st.text("abcxyz_-09", min_size=1, max_size=6)
values = st.sampled_from(
    [
        "1",
        '"a = [b] # c"',
        "'it\"s'",
        "[1,\n 2, # x ]\n 3]",
        '"""\n[x]\ny = 1\n"""',
        "'''a\n\n'''",
        "{ q = 1 }",
        "true",
        '"\\""',
    ]
)
blanks = st.lists(st.sampled_from(["", "# note = 1", "   ", "# [no]"]), max_size=2)


@st.composite
def documents(draw):
    """Return a TOML text and the line of each of its keys and headers."""
    lines: list[str] = []
    where: dict[tuple[str, ...], int] = {}
    tables = draw(st.lists(bare, unique=True, max_size=4))
    keys_of = {table: draw(st.lists(bare, unique=True, max_size=4)) for table in ["", *tables]}
    if set(keys_of[""]) & set(tables):
        keys_of[""] = [key for key in keys_of[""] if key not in tables]
    for table in ["", *tables]:
        lines += draw(blanks)
        if table:
            where[(table,)] = len(lines) + 1
            lines.append(f"[{table}]")
        for key in keys_of[table]:
            lines += draw(blanks)
            path = (table, key) if table else (key,)
            where[path] = len(lines) + 1
            lines += f"{key} = {draw(values)}".split("\n")
    return "\n".join(lines) + draw(st.sampled_from(["", "\n"])), where


@given(documents())
def test_every_key_is_found_on_the_line_it_was_put(document):
    text, where = document
    tomllib.loads(text)  # only sound texts are asked about
    lines = key_lines(text)
    assert {path: lines.get(path) for path in where} == where


def test_a_long_array_does_not_take_long():
    text = "a = [" + "1, " * 60_000 + "]\nb = 1\n"
    assert key_lines(text)[("b",)] == 2
