"""Paste in the barrel and on the clock: what was used, what is left, how many boards that is, how long it may be used.

left = fill − used        boards left = ⌊left / (board + strip)⌋        life left = floor life − (now − opened)
"""

from dataclasses import dataclass

LIFE_WARNING = 0.8
"""Share of the floor life after which a warning begins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PasteBook:
    """`opened_s` ago the paste was opened, None if nobody said."""

    fill_ul: float
    used_ul: float
    board_ul: float
    strip_ul: float
    opened_s: float | None
    floor_life_s: float

    @property
    def left_ul(self) -> float:
        """Paste left in the barrel [µL], not below zero."""
        return max(self.fill_ul - self.used_ul, 0.0)

    @property
    def boards_left(self) -> int:
        """Whole boards that the barrel still serves, each with its settling strip."""
        per_board = self.board_ul + self.strip_ul
        return int(self.left_ul / per_board + 1e-9) if per_board > 0 else 0

    @property
    def life_left_s(self) -> float | None:
        """What is left of the floor life [s]; below zero when it is over."""
        return None if self.opened_s is None else self.floor_life_s - self.opened_s

    def warnings(self, *, run_s: float = 0.0, need_ul: float | None = None) -> list[str]:
        """Return what a person should hear before a run of `run_s` that needs `need_ul` (else: a whole board)."""
        need = self.board_ul + self.strip_ul if need_ul is None else need_ul
        words = []
        if need > self.left_ul + 1e-9:
            words.append(
                f"the barrel holds {self.left_ul:.0f} µL and this run needs {need:.1f} µL: refill before it starts"
            )
        elif self.boards_left <= 1:
            words.append(f"the barrel holds {self.left_ul:.0f} µL, enough for this board: refill after it")
        left = self.life_left_s
        if left is None:
            words.append("nobody said when the paste was opened (--opened), so its floor life is not watched")
        elif left <= 0:
            words.append(
                f"the paste has been open for {_hours(-left)} longer than its floor life: do not use it"
            )
        elif left < run_s:
            words.append(f"the floor life ends in {_hours(left)}, before this run does ({_hours(run_s)})")
        elif left < (1 - LIFE_WARNING) * self.floor_life_s:
            words.append(f"the paste may be used for another {_hours(left)}")
        return words


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"
