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
    named: bool = False
    """Whether it is of a barrel with a name, whose use is counted and whose life begins with its first run."""

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

    def shortage(self, *, need_ul: float) -> str:
        """Say that there is not enough paste for a run that needs `need_ul`; "" where there is."""
        if need_ul <= self.left_ul + 1e-9:
            return ""
        return f"the barrel holds {self.left_ul:.0f} µL and this run needs {need_ul:.1f} µL: refill it first"

    def overdue(self) -> str:
        """Say that the paste may not be used any more; "" where it may, or nobody said when it was opened."""
        left = self.life_left_s
        if left is None or left > 0:
            return ""
        return f"the paste has been open for {_hours(-left)} longer than its floor life"

    def obstacles(self, *, need_ul: float) -> list[str]:
        """Return why a run that needs `need_ul` should not start."""
        return [words for words in (self.shortage(need_ul=need_ul), self.overdue()) if words]

    def warnings(self, *, run_s: float, need_ul: float) -> list[str]:
        """Return what a person should hear before a run of `run_s` that needs `need_ul`, obstacles first."""
        words = self.obstacles(need_ul=need_ul)
        if need_ul <= self.left_ul and self.left_ul - need_ul < self.board_ul + self.strip_ul:
            words.append(f"the barrel holds {self.left_ul:.0f} µL, enough for this run only: refill after it")
        if self.life_left_s is None and not self.named:
            words.append(
                "nobody said when the paste was opened (--opened, --lot): what other runs took out of this barrel"
                " and its floor life are not counted"
            )
        return [*words, *self.life(run_s=run_s)]

    def life(self, *, run_s: float) -> list[str]:
        """Return what a person should hear of paste whose floor life draws near its end, before a run of `run_s`."""
        left = self.life_left_s
        if left is None or left <= 0:
            return []
        if left < run_s:
            return [f"the floor life ends in {_hours(left)}, before this run does ({_hours(run_s)})"]
        if left < (1 - LIFE_WARNING) * self.floor_life_s:
            return [f"the paste may be used for another {_hours(left)}"]
        return []


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"
