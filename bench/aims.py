"""What a benchmark aims at, told and never a reason to stop: clocks differ from one computer to the next."""

from collections.abc import Callable
from traceback import print_exc


class Aims:
    """Numbers against what they should stay under, gathered while a table is printed and told at its end."""

    def __init__(self) -> None:
        self._missed: list[str] = []

    def under(self, what: str, value: float, limit: float, unit: str) -> None:
        """Remember it where a value is above its limit."""
        if value > limit:
            self._missed.append(f"{what}: {value:.3g} {unit}, the aim is {limit:g} {unit}")

    def over(self, what: str, value: float, limit: float, unit: str) -> None:
        """Remember it where a value is below its limit."""
        if value < limit:
            self._missed.append(f"{what}: {value:.3g} {unit}, the aim is {limit:g} {unit} or more")

    def tell(self) -> None:
        """Print what was missed, or that nothing was."""
        for words in self._missed:
            print(f"  above its aim: {words}")
        if not self._missed:
            print("  all within their aims")


def attempted(row: Callable[[], None], what: str) -> bool:
    """Print one row of a table; a row that fails is told with its traceback, and the table goes on."""
    try:
        row()
    except Exception:
        print(f"{what}: failed")
        print_exc()
        return False
    return True
