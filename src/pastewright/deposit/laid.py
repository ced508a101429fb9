"""What a pad gets by itself."""

from msgspec import Struct

from pastewright.deposit.frame import Frame
from pastewright.deposit.limits import FormChoice
from pastewright.deposit.model import Balance
from pastewright.records.kinds import Form


class LaidPad(Struct, frozen=True, kw_only=True):
    """What a pad gets by itself: pieces with the frames they stand in; of thermal lands also their balance."""

    form: Form
    parts: tuple[tuple[Frame, FormChoice], ...]
    reason: str
    warnings: tuple[str, ...]
    balance: Balance | None = None

    @property
    def possible(self) -> bool:
        """Whether every piece keeps within the limits."""
        return all(choice.possible for _, choice in self.parts)
