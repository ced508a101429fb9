"""Runs of plain operations draw what the same statements draw when they are followed one by one."""

import shapely
from hypothesis import given
from hypothesis import strategies as st

from pastewright.board.artwork import Drawn
from pastewright.board.gerber.complaints import Complaints
from pastewright.board.gerber.lexer import StatementKind, statements
from pastewright.board.gerber.read import read_gerber
from pastewright.board.gerber.runs import FEWEST
from pastewright.problems import InputError

HEAD = "%FSLAX46Y46*%\n%MOMM*%\n"
HEAD += "%ADD10C,0.3*%\n%ADD11R,0.5X0.2*%\n%ADD12C,0.6X0.2*%\n%AMT*4,1,3,0,0,1,0,0,1,0,0,0*%\n%ADD13T*%\n"
WHOLE = st.integers(-3, 3).map(lambda number: number * 500_000)
STEP = st.tuples(st.none() | WHOLE, st.none() | WHOLE, st.sampled_from("123"))
PARTS = st.lists(
    st.one_of(
        st.lists(STEP | st.sampled_from(["D10*", "D11*", "D12*", "D13*"]), min_size=1, max_size=3 * FEWEST),
        st.sampled_from(
            [
                "D10*",
                "D11*",
                "D12*",
                "D13*",
                "D77*",
                "G36*",
                "G37*",
                "G01*",
                "G02*",
                "G91*",
                "G90*",
                "%LPC*%",
                "M02*",
            ]
        ),
    ),
    max_size=8,
)


def said(x: int | None, y: int | None, operation: str) -> str:
    return ("" if x is None else f"X{x}") + ("" if y is None else f"Y{y}") + f"D0{operation}*"


def drawn(text: str) -> tuple[list[tuple[object, ...]], list[str]]:
    def of(one: Drawn) -> tuple[object, ...]:
        return one.kind, shapely.to_wkb(one.shape), one.dark, one.path_mm, one.width_mm

    try:
        layer = read_gerber(text.encode(), "layer.gbr")
    except InputError as error:
        return [], sorted(problem.what for problem in error.problems)
    return [of(one) for one in layer.objects], sorted(problem.what for problem in layer.problems)


@given(PARTS)
def test_a_run_draws_what_its_statements_draw(
    parts: list[list[tuple[int | None, int | None, str] | str] | str],
):
    by_lines, together = HEAD, HEAD
    for part in parts:
        words = (
            [part]
            if isinstance(part, str)
            else [step if isinstance(step, str) else said(*step) for step in part]
        )
        by_lines += "".join(f"{word}\n" for word in words)
        together += " ".join(words) + "\n"  # never a run: they share a line
    assert drawn(by_lines) == drawn(together)


def test_lines_are_told_as_they_stand():
    rows = [f"X{k * 1_000_000}Y0D03*" for k in range(20)]
    layer = read_gerber((HEAD + "D10*\n" + "\n".join(rows) + "\nX0Y5000000D03*\nM02*\n").encode(), "a.gbr")
    first = HEAD.count("\n") + 2
    assert [each.line for each in layer.objects] == list(range(first, first + 21))


def test_such_lines_are_a_run():
    text = HEAD + "D10*\n" + "X1Y1D03*\n" * FEWEST + "M02*\n"
    kinds = [kind for kind, _, _ in statements(text, Complaints("a"))]
    assert kinds.count(StatementKind.RUN) == 1
    assert kinds.count(StatementKind.WORDS) == 1
