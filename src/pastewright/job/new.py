"""A board to the text of its job file: every key with its comment, examples of this very board as remarks."""

from collections.abc import Iterator, Sequence
from textwrap import wrap

from pastewright.board.model import Board
from pastewright.counting import counted
from pastewright.job.read import SECTIONS, parse_job
from pastewright.profile.keys import Section
from pastewright.profile.new import LINE, comment_line, toml_value


def job_text(board: Board, *, for_one_side: bool = False) -> str:
    """Return a commented job file for a board; as it stands it changes nothing.

    One `for_one_side` refuses to be planned for the other.
    """
    pasted = [pad for pad in board.pads if pad.apertures]
    refs = sorted({pad.ref for pad in pasted if pad.ref}, key=lambda ref: (len(ref), ref))
    head = [
        f"# Job for {_plain(board.name)}, {board.side} side: {counted(len(pasted), 'pad')} with paste,"
        f" {board.size_mm[0]:.2f} × {board.size_mm[1]:.2f} mm.",
        "# Found by itself beside the design; or name it: pastewright plan SOURCE --job job.toml",
    ]
    if refs:
        head += [f"# {line}" for line in wrap("Parts: " + ", ".join(map(_plain, refs)), LINE - 2)]
    parts = ["\n".join(head) + "\n"]
    examples = _examples(board, refs)
    parts.extend("\n".join(_section(section, board, examples, for_one_side)) + "\n" for section in SECTIONS)
    text = "\n".join(parts)
    parse_job(text, "job.toml")
    return text


def _plain(text: str) -> str:
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def _examples(board: Board, refs: Sequence[str]) -> dict[str, object]:
    """Return values for the remarks: of this board where it has any."""
    pasted = [pad for pad in board.pads if pad.apertures]
    width, height = board.size_mm
    return {
        "rule.ref": f"{refs[0].rstrip('0123456789')}*" if refs else "R*",
        "rule.scale_percent": 90,
        "pad.id": pasted[0].id if pasted else "U1-3",
        "pad.volume_ul": 0.05,
        "lay.ref": refs[0] if refs else "U1",
        "lay.as": "alone",
        "zone.name": "clamp",
        "zone.x_from_mm": 0.0,
        "zone.x_to_mm": round(max(width / 10, 1.0), 2),
        "zone.y_from_mm": 0.0,
        "zone.y_to_mm": round(max(height / 10, 1.0), 2),
    }


def _section(
    section: Section, board: Board, examples: dict[str, object], for_one_side: bool
) -> Iterator[str]:
    yield from (f"# {line}" for line in wrap(section.about, LINE - 2))
    if section.repeated:
        yield f"# [[{section.name}]]"
        for key in section.keys:
            value = examples.get(key.path)
            yield comment_line(key, f"# {key.name} = {'…' if value is None else toml_value(value)}")
        return
    if section.name:
        yield f"[{section.name}]"
    for key in section.keys:
        if key.path == "side":
            mark = "" if for_one_side else "# "
            yield comment_line(key, f"{mark}{key.name} = {toml_value(str(board.side))}")
            continue
        value = key.default
        yield comment_line(key, f"# {key.name} =" if value is None else f"{key.name} = {toml_value(value)}")
