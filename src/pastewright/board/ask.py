"""What a person asks of reading a board, as one value; every reader gets it whole."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from pastewright.board.model import LayerRole, Side
from pastewright.board.source.units import unit_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """The `side` to read, and what speaks for files that do not say.

    `roles` maps names of files, or of layers within a drawing, to roles; `name` is that of the board, "" for the name
    of its folder or zip. `units` is the unit of drawings and tables that name none; `columns` says which column of a
    table is what ("x=Pos X,diameter=0.8"). `cut_short`: a layer without its end word is used as it is.
    """

    side: Side
    roles: Mapping[str, LayerRole] = field(default_factory=dict)
    name: str = ""
    units: str = ""
    columns: str = ""
    cut_short: bool = False

    def __post_init__(self) -> None:
        """Refuse a word that is no unit, whether or not the files need one."""
        if self.units:
            unit_mm(self.units)
