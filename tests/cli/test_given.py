"""What is given on the command line: the same values and the same refusals as the library's own."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import pytest
import typer

from pastewright.cli.given import spare_pydantic


class Side(StrEnum):
    TOP = "top"
    BOTTOM = "bottom"


def program(seen: dict[str, Any]) -> typer.Typer:
    app = typer.Typer(add_completion=False)

    @app.callback()
    def above(loud: bool = False) -> None:
        seen["loud"] = loud

    @app.command()
    def work(
        source: Path,
        more: Annotated[list[Path] | None, typer.Argument()] = None,
        name: str = "plain",
        scale: float | None = None,
        factor: Annotated[float, typer.Option(min=0.5)] = 1.0,
        count: int = 3,
        most: Annotated[int, typer.Option(max=8)] = 4,
        side: Side = Side.TOP,
        layer: Annotated[list[str] | None, typer.Option()] = None,
        pair: tuple[float, float] = (0.0, 1.0),
        force: Annotated[bool, typer.Option("--force")] = False,
    ) -> None:
        seen.update(locals())

    return app


GIVEN = [
    "a.txt",
    "a.txt b c",
    "a.txt --name= --scale 1e3 --factor 0.5 --count -2 --most 8 --side bottom --layer x --layer y --pair 1 2 --force",
    "a.txt --scale inf --count 007",
    "a.txt --scale nan",
    "a.txt --scale a",
    "a.txt --scale ''",
    "a.txt --factor 0.4",
    "a.txt --factor x",
    "a.txt --count 2.5",
    "a.txt --most 9",
    "a.txt --side left",
    "a.txt --pair 1 x",
    "--name x",
    "a.txt --nam x",
]


def ended(command: Any, words: list[str], seen: dict[str, Any]) -> tuple[str, Any]:
    """What kind of end a command line has, and the values or the option that it is about."""
    try:
        command(["work", *words], standalone_mode=False)
    except Exception as error:
        param = getattr(error, "param", None)
        return type(error).__name__, getattr(param, "name", None)
    return "done", {name: (type(value), repr(value)) for name, value in seen.items() if name != "seen"}


@pytest.mark.parametrize("line", GIVEN)
def test_values_and_refusals_are_those_of_the_library(line):
    words = ["" if word == "''" else word for word in line.split()]
    plain: dict[str, Any] = {}
    ours: dict[str, Any] = {}
    wanted = ended(typer.main.get_command(program(plain)), words, plain)
    assert ended(spare_pydantic(typer.main.get_command(program(ours))), words, ours) == wanted
    assert (wanted[0] == "done") == (line in GIVEN[:5])
