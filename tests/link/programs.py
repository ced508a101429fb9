"""Small programs with their plans, in both dialects, for the tests of the link."""

import json
from typing import Any

from plan_records import pad_data, plan_data

LETTERS = {"reprap": "E", "cnc": "A"}
BOARD_MM = (60.0, 40.0)


def written(
    protocol: str, deposits: int = 6, *, relative: bool = False, beads: bool = True, decimals: int = 3
) -> tuple[str, dict[str, Any]]:
    """Return the text of a program and its plan.json, as data.

    Every third deposit is a bead, if wanted; deposit k has the id 10 + k, so that ids are not places.
    """
    cnc = protocol == "cnc"
    letter = LETTERS[protocol]
    lines = ["; paste for the tests of the link"]
    lines += (
        ["G21 G90 G94 G17 G54", f"G92 {letter}0"] if cnc else ["G21", "G90", "M83" if relative else "M82"]
    )
    lines += [] if cnc else [f"G92 {letter}0"]
    told = 0.0

    def plunger(to: float) -> str:
        nonlocal told
        value, told = (to - told if relative else to), to
        return f"{letter}{value:.4f}"

    lines += ["; settling strip", "G1 Z12.000 F600", "G1 X10.000 Y10.000 F3000", "G1 Z10.200 F600"]
    lines += [f"G1 {plunger(0.15)} F60", f"G1 X30.000 Y10.000 {plunger(0.6)} F300", f"G1 {plunger(0.4)} F60"]
    lines += ["G1 Z12.000 F600"]
    at = 0.4
    pads = []
    for k in range(deposits):
        x, y = 20.0 + 2.5 * (k % 12) + 0.001 * k, 20.0 + 1.5 * (k // 12)
        bead = beads and k % 3 == 2
        lines.append(f"; P{k} {'bead' if bead else 'dot'}")
        pads.append(
            pad_data(
                f"{'U' if bead else 'R'}{k // 2 + 1}-{k % 2 + 1}",
                [
                    {
                        "id": 10 + k,
                        "kind": "bead" if bead else "dot",
                        "points_mm": [[x - 15, y - 15], [x - 14, y - 15]] if bead else [[x - 15, y - 15]],
                        "volume_ul": 0.5,
                        "total_ul": 0.5,
                        "line": len(lines),
                    }
                ],
            )
        )
        lines += [f"G1 X{x:.{decimals}f} Y{y:.{decimals}f} F3000", "G1 Z10.200 F600"]
        lines.append(f"G1 {plunger(at + 0.1)} F60")
        if bead:
            lines.append(f"G1 X{x + 1:.{decimals}f} Y{y:.{decimals}f} {plunger(at + 0.12)} F300")
        lines += ["G4 P0.05" if cnc else "G4 P50"]
        at += 0.02
        lines += [f"G1 {plunger(at)} F60", "G1 Z12.000 F600"]
    lines += ["; park", "G1 X5.000 Y5.000 F3000", *(["M2"] if cnc else ["M400", "M84"])]
    plan = plan_data(pads, profile={"dialect": "ngc" if cnc else "reprap", "plunger_letter": letter})
    return "\n".join(lines) + "\n", json.loads(json.dumps(plan))
