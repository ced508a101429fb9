"""The dose of a pad: a volume of paste, the solder it leaves, and the reason."""

from msgspec import Struct


class Dose(Struct, frozen=True, kw_only=True):
    """Paste wanted on one pad [µL]; 0 for a pad that gets none. `solder_ul` is what remains after reflow."""

    pad_id: str
    target_ul: float
    solder_ul: float
    reason: str
    warnings: tuple[str, ...] = ()


class Doses(Struct, frozen=True, kw_only=True):
    """The doses of a board in the order of its pads; `warnings` are about the rules, not about one pad."""

    doses: tuple[Dose, ...]
    warnings: tuple[str, ...] = ()
