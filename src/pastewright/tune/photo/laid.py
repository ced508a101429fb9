"""What was laid, as the photo's reader needs it: dots with their places and doses, and how far they stand apart."""

from collections.abc import Sequence
from typing import Protocol

from pastewright.records.kinds import Role


class LaidDot(Protocol):
    """One dot as commanded: its turn in the order of laying, its place [mm], its dose [µL], what it is for."""

    @property
    def index(self) -> int: ...  # noqa: D102  (told above)
    @property
    def x_mm(self) -> float: ...  # noqa: D102
    @property
    def y_mm(self) -> float: ...  # noqa: D102
    @property
    def dose_ul(self) -> float: ...  # noqa: D102
    @property
    def role(self) -> Role: ...  # noqa: D102


class LaidDots(Protocol):
    """A tuning sheet, or a witness row: `pitch_mm` is how near the next dot may be."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def pitch_mm(self) -> float: ...  # noqa: D102
    @property
    def dots(self) -> Sequence[LaidDot]: ...  # noqa: D102
