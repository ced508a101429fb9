"""`pastewright tips`: the table of tips with what each can lay and pass."""

from typing import Annotated

import typer


def tips(
    powder: Annotated[
        int | None, typer.Option("--powder", min=1, max=8, help="Only tips that pass this powder type.")
    ] = None,
) -> int:
    """List tips: bore, smallest dot, and the powder types they pass."""
    from pastewright.work.exits import DONE
    from pastewright.work.printing.tips import print_tips

    print_tips(powder)
    return DONE
