"""What a side lacks to be pasted by, told in words: layers that are not there, and paste that is none."""

from collections.abc import Sequence

from pastewright.board.model import LeftOut, Side
from pastewright.board.pads.films import Films
from pastewright.problems import InputError, Problem, Severity, one_error


def missing_layers(films: Films) -> list[Problem]:
    """Return a warning for each layer that would be of use; raises `InputError` where there is none at all."""
    side = films.side.value
    found: list[Problem] = []

    def warn(what: str, mend: str) -> None:
        found.append(Problem(what=what, mend=mend, severity=Severity.WARNING))

    if films.paste is None and films.copper is None and films.mask is None:
        raise one_error(
            f"there is no paste, copper or mask layer of the {side} side",
            f"Export the {side} paste, copper and mask layers, or say which files they are.",
        )
    if films.copper is None and (films.mask is not None or films.paste is None):
        warn(
            f"there is no {side} copper layer: every mask opening counts as a pad",
            "Add the copper layer; without it pads are as large as their mask openings.",
        )
    if films.mask is None and (films.copper is not None or films.paste is None):
        warn(
            f"there is no {side} mask layer: every copper pad counts as exposed",
            "Add the mask layer; without it fiducials cannot be told by shape.",
        )
    if films.paste is None:
        warn(
            f"there is no {side} paste layer: paste goes where copper is exposed",
            "Export the paste layer, or look at the picture and skip what shall stay bare by rules.",
        )
        if not films.drillings:
            warn(
                "there is no drill file either: through-hole pads cannot be told and get paste too",
                "Add the drill files, or skip those pads by rules.",
            )
    if films.outline is None:
        warn(
            "there is no board outline: size and origin are those of the pads",
            "Add the outline layer, or say which file it is.",
        )
    return found


def nothing_exposed(films: Films) -> InputError:
    """Return the error of a side without a paste layer and without copper to paste."""
    layer = films.copper or films.mask or films.outline
    return one_error(
        f"there is nothing to paste on the {films.side.value} side: no copper is exposed",
        "Check that the copper and mask layers belong together, or choose the other side.",
        file=layer.file if layer else "",
    )


def no_paste(films: Films, left_out: Sequence[LeftOut]) -> Problem:
    """Return the note that nothing of this side is pasted, and why."""
    side: Side = films.side
    file = films.paste.file if films.paste is not None else ""
    if films.paste is not None and not films.paste.objects:
        what = f"the paste layer is empty: nothing is pasted on the {side.value} side"
    elif films.paste is not None:
        what = f"the paste layer holds no paste, only {len(left_out)} thing(s) left out: nothing is pasted"
    else:
        what = f"no exposed copper of the {side.value} side is left to paste"
    mend = "If parts stand on this side, export its paste layer again, or choose the other side."
    return Problem(what=what, mend=mend, severity=Severity.NOTE, file=file)
