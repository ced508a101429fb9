"""The report: one HTML file that opens offline, on a phone as well as on a bench computer."""

from collections.abc import Mapping, Sequence
from functools import cache
from html import escape
from importlib.resources import files
from math import atan2, degrees
from typing import Any

from pastewright.report.safety import CAUTIONS

MOST_ROWS = 2000


def report_page(
    document: Mapping[str, Any],
    *,
    board_svg: str,
    pressure_svg: str = "",
    scenarios_svg: str = "",
    scenario_words: Sequence[str] = (),
) -> str:
    """Return the report of a plan (the content of `plan.json`) with its pictures as one HTML page."""
    board, profile = document["board"], document["profile"]
    title = f"{board['name']}, {board['side']} side"
    parts = [
        "<!doctype html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{escape(title)} – paste plan</title>',
        '<meta name="viewport" content="width=device-width,initial-scale=1">',
        f"<style>{_part('page.css')}</style></head><body><main>",
        f"<h1>{escape(title)}</h1>",
        f'<p class="soft">{_size(board)} · {escape(profile["paste"])} · {_tip(profile)} · bench “{escape(profile["name"])}”'
        f" · {escape(profile['dialect'])}</p>",
        _verdict(document),
        _totals(document["totals"]),
        f'<div class="board">{board_svg}</div>',
        _placement(document.get("placement")),
        _list("Needs a look", _all_warnings(document), css="warn"),
        _what_if(scenarios_svg, scenario_words),
        _figure(
            "Pressure behind the tip",
            pressure_svg,
            "The settling strip and the first deposits, as the read-back simulated them.",
        ),
        _pads(document["pads"]),
        _how_doses(board),
        _layers(board),
        _list("Before you run it", CAUTIONS, css="caution"),
        f'<p class="soft">Inputs {escape(board["inputs_sha256"][:16])}, profile {escape(profile["sha256"][:16])},'
        f" {escape(document['made_by'])}.</p>",
        f"</main><script>{_part('page.js')}</script></body></html>",
    ]
    return "\n".join(part for part in parts if part)


@cache
def _part(name: str) -> str:
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


def _size(board: Mapping[str, Any]) -> str:
    width, height = board["size_mm"]
    return f"{width:.1f} × {height:.1f} mm"


def _tip(profile: Mapping[str, Any]) -> str:
    gauge = f"{profile['tip_gauge']}G tip, " if profile["tip_gauge"] else "tip "
    return f"{gauge}{profile['tip_bore_mm']:g} mm bore"


def _verdict(document: Mapping[str, Any]) -> str:
    findings = document["verdict"]["findings"]
    if document["verdict"]["ok"]:
        return (
            '<p class="verdict">Verified: the program was read back and simulated by separate code, and every'
            " deposit is where and as big as planned.</p>"
            + (
                '<p class="warn">Dry run: the plunger stays still and the tip stays up.</p>'
                if document["dry"]
                else ""
            )
        )
    items = "".join(
        f"<li>{escape(item['kind'])}: {escape(item['what'])}"
        + (f" (line {item['line']})" if item["line"] else "")
        + "</li>"
        for item in findings[:200]
    )
    more = f"<p>… and {len(findings) - 200} more in plan.json</p>" if len(findings) > 200 else ""
    return f'<div class="verdict bad">Not verified: {len(findings)} findings.<ul>{items}</ul>{more}</div>'


def _totals(totals: Mapping[str, Any]) -> str:
    gain_s = totals["travel_s"] - totals["travel_bound_s"]
    cells = [
        (f"{totals['paste_ul']:.2f} µL", "paste on the board"),
        (f"{totals['deposits']}", f"deposits on {totals['pads']} pads"),
        (_minutes(totals["machine_s"]), "machine time"),
        (f"{totals['travel_mm']:.0f} mm", "travel between deposits"),
        (f"{totals['travel_bound_mm']:.0f} mm", f"no order is shorter; {gain_s:.1f} s to gain at most"),
    ]
    return (
        '<div class="totals">'
        + "".join(f"<div><b>{escape(value)}</b>{escape(words)}</div>" for value, words in cells)
        + "</div>"
    )


def _placement(placement: Mapping[str, Any] | None) -> str:
    """Say where each board lies, unless one lies in the bed's corner as the profile says."""
    boards = placement["boards"] if placement else []
    if not boards or [step["what"] for step in boards[0]["steps"]] == ["corner on the bed"]:
        return ""
    rows = []
    for board in boards:
        surface = board["surface"]
        height = (
            "level"
            if not (surface["slope_x"] or surface["slope_y"] or "mesh" in surface)
            else ("tilted" + (" and bowed" if "mesh" in surface else ""))
        )
        (a, _), (c, _) = board["matrix"]
        rows.append(
            f"<tr><td>{escape(board['name'] or 'the board')}</td>"
            f"<td>{escape('; '.join(_step_words(step) for step in board['steps']))}</td>"
            f'<td class="n">{board["shift_mm"][0]:.3f}</td><td class="n">{board["shift_mm"][1]:.3f}</td>'
            f'<td class="n">{degrees(atan2(c, a)):+.3f}°</td>'
            f'<td class="n">{surface["z_mm"]:.3f}</td><td>{height}</td></tr>'
        )
    return (
        "<h2>Where it lies</h2><p>Machine coordinates; the program was compared with these in them.</p>"
        '<div class="scroll"><table><thead><tr><th>Board</th><th>Known from</th><th class="n">Corner X</th>'
        '<th class="n">Corner Y</th><th class="n">X axis</th><th class="n">Height</th><th>Surface</th></tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _step_words(step: Mapping[str, Any]) -> str:
    points = step.get("points")
    return f"{step['what']} ({step['fit']} fit of {len(points)} points)" if points else str(step["what"])


def _minutes(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{int(seconds // 60)} min {seconds % 60:02.0f} s"


def _all_warnings(document: Mapping[str, Any]) -> list[str]:
    return [
        *document["warnings"],
        *(f"{pad['id']}: {words}" for pad in document["pads"] for words in pad["warnings"]),
    ]


def _list(heading: str, items: Sequence[str], *, css: str) -> str:
    if not items:
        return ""
    shown = "".join(f"<li>{escape(item)}</li>" for item in items[:60])
    rest = items[60:MOST_ROWS]
    more = (
        f"<details><summary>{len(items) - 60} more</summary><ul>"
        + "".join(f"<li>{escape(item)}</li>" for item in rest)
        + "</ul></details>"
        if rest
        else ""
    )
    return f'<h2>{escape(heading)}</h2><div class="{css}"><ul>{shown}</ul>{more}</div>'


def _figure(heading: str, svg: str, words: str) -> str:
    return f'<h2>{escape(heading)}</h2><p>{escape(words)}</p><div class="plot">{svg}</div>' if svg else ""


def _what_if(svg: str, words: Sequence[str]) -> str:
    if not svg:
        return ""
    items = "".join(f"<li>{escape(item)}</li>" for item in words)
    return (
        "<h2>If the profile is not true</h2><p>The same program, simulated on a bench that differs from the profile."
        " What spreads here is what tuning must pin down first.</p>"
        f'<div class="plot">{svg}</div><ul>{items}</ul>'
    )


def _pads(pads: Sequence[Mapping[str, Any]]) -> str:
    shown = sorted(pads, key=lambda pad: not pad["warnings"])[:MOST_ROWS] if len(pads) > MOST_ROWS else pads
    note = (
        f"<p>{MOST_ROWS} of {len(pads)} pads, those that need a look first; pads.csv has them all.</p>"
        if len(pads) > MOST_ROWS
        else ""
    )
    rows = "".join(_pad_row(pad) for pad in shown)
    return (
        f"<h2>Pads</h2>{note}"
        '<p><input type="search" id="find" placeholder="Find a pad, part or net" aria-label="Find a pad">'
        ' <label><input type="checkbox" id="only"> only those that need a look</label></p>'
        '<div class="scroll"><table id="pads"><thead><tr><th>Pad</th><th>Net</th><th>Kind</th><th class="n">Area mm²</th>'
        '<th class="n">Dose µL</th><th class="n">Planned µL</th><th>Laid as</th><th>Why</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _pad_row(pad: Mapping[str, Any]) -> str:
    warnings = "".join(f'<div class="warn">{escape(words)}</div>' for words in pad["warnings"])
    mark = ' data-look="1"' if pad["warnings"] else ""
    return (
        f"<tr{mark}><td>{escape(pad['id'])}</td><td>{escape(pad['net'])}</td><td>{escape(pad['kind'])}</td>"
        f'<td class="n">{pad["area_mm2"]:.3f}</td><td class="n">{pad["target_ul"]:.4f}</td>'
        f'<td class="n">{pad["planned_ul"]:.4f}</td><td>{escape(pad["form"])}</td>'
        f"<td>{escape(pad['reason'])}{warnings}</td></tr>"
    )


def _how_doses(board: Mapping[str, Any]) -> str:
    return (
        "<details><summary>How doses were chosen</summary><p>Paste apertures come from the "
        f"{escape(board['paste_from'])}. The dose is the solder that a good print through them would <em>deliver</em>"
        " (area × foil × transfer efficiency × metal share of printing paste), turned into a volume of this paste by"
        " its own metal share. Each pad’s reason shows its numbers.</p></details>"
    )


def _layers(board: Mapping[str, Any]) -> str:
    rows = "".join(
        f"<tr><td>{escape(use['file'])}</td><td>{escape(use['role'])}</td><td>{escape(use['how'])}</td>"
        f"<td>{'yes' if use['used'] else 'no'}</td><td>{escape(use['note'])}</td></tr>"
        for use in board["layers"]
    )
    left = "".join(
        f"<li>{escape(item['source'])}: {item['area_mm2']:.3f} mm², {escape(item['reason'])}</li>"
        for item in board["left_out"][:200]
    )
    left_out = f"<p>Left out of the paste layer as not paste:</p><ul>{left}</ul>" if left else ""
    return (
        '<details><summary>Files read</summary><div class="scroll"><table><thead><tr><th>File</th><th>Taken as</th>'
        f"<th>How known</th><th>Used</th><th>Note</th></tr></thead><tbody>{rows}</tbody></table></div>{left_out}</details>"
    )
