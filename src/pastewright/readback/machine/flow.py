"""How fast paste leaves a tip at a pressure, by adding up the shear of the whole section.

Not the closed formula of the planner: the flow is the integral over the wall's stress (Weissenberg and
Rabinowitsch; Chhabra and Richardson, Non-Newtonian Flow in the Process Industries, chapter 3)

    Q = π R³ / τ_w³ · ∫ τ² γ̇(τ) dτ from τ_y to τ_w,    γ̇(τ) = ((τ − τ_y) / K)^(1/n),    τ_w = P R / 2L

done numerically once per bench, into a table that the simulation then reads.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.materials.model import Paste, Tip

CELLS = 1 << 14  # cells of the table; flows read from it are within 1e-5 of the integral (see the tests)
# Five points after Gauss and Legendre in closed form (Abramowitz and Stegun, Handbook of Mathematical Functions, 25.4.29).
_INNER, _OUTER = sqrt(5 - 2 * sqrt(10 / 7)) / 3, sqrt(5 + 2 * sqrt(10 / 7)) / 3
_MORE, _LESS = (322 + 13 * sqrt(70)) / 900, (322 - 13 * sqrt(70)) / 900
_NODES = np.array([-_OUTER, -_INNER, 0.0, _INNER, _OUTER])
_WEIGHTS = np.array([_LESS, _MORE, 128 / 225, _MORE, _LESS])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlowTable:
    """Flow [µL/s] over pressure above the yield pressure, straight between nodes that are even in √(P − P_y).

    `slope` is per √kPa within a cell; `per_root` cells make 1 √kPa. Pressures above `top_kpa` are out of it.
    """

    yield_kpa: float
    top_kpa: float
    per_root: float
    flow_ul_s: NDArray[np.float64]
    slope: NDArray[np.float64]

    def flow(self, pressure_kpa: float) -> float:
        """Return the flow [µL/s] at a gauge pressure [kPa]; paste is drawn back at the same rate below −P_y."""
        over = abs(pressure_kpa) - self.yield_kpa
        if over <= 0:
            return 0.0
        root = sqrt(over)
        cell = min(int(root * self.per_root), CELLS - 1)
        flow = float(self.flow_ul_s[cell] + self.slope[cell] * (root - cell / self.per_root))
        return flow if pressure_kpa > 0 else -flow


def yield_pressure_kpa(paste: Paste, tip: Tip) -> float:
    """Pressure below which nothing flows [kPa]: the wall's stress P·R/2L just reaches τ_y."""
    return 2 * tip.length_mm * paste.yield_stress_kpa / tip.radius_mm


def flow_table(paste: Paste, tip: Tip, *, most_ul_s: float) -> FlowTable:
    """Return the table up to the pressure at which `most_ul_s` flows (with some room above)."""
    first = yield_pressure_kpa(paste, tip)
    span = max(first, 1.0)
    while True:
        table = _table(paste, tip, first, span)
        if table.flow_ul_s[-1] >= 1.2 * most_ul_s:
            break
        span *= 4
    # Narrow it to what is used, so that cells are fine where the work is.
    enough = int(np.searchsorted(table.flow_ul_s, 1.2 * most_ul_s)) + 1
    if enough < CELLS // 2:
        table = _table(paste, tip, first, span * (enough / CELLS) ** 2)
    return table


def _table(paste: Paste, tip: Tip, first_kpa: float, span_kpa: float) -> FlowTable:
    radius, length = tip.radius_mm, tip.length_mm
    to_stress = radius / (2 * length)
    root = np.linspace(0.0, sqrt(span_kpa), CELLS + 1)
    # Five Gauss points in each cell of √(P − P_y): there, even γ̇ ~ (τ − τ_y)^(1/n) with n above 1 is smooth.
    half = (root[1:] - root[:-1]) / 2
    points = (root[1:] + root[:-1])[:, None] / 2 + half[:, None] * _NODES
    stress = (first_kpa + points**2) * to_stress
    rate = (points**2 * to_stress / paste.consistency_kpa_sn) ** (1 / paste.flow_index)
    d_stress = 2 * points * to_stress
    parts = (stress**2 * rate * d_stress) @ _WEIGHTS * half
    integral = np.concatenate([[0.0], np.cumsum(parts)])
    wall = (first_kpa + root**2) * to_stress
    flow = np.zeros_like(integral)
    flow[1:] = np.pi * radius**3 * integral[1:] / wall[1:] ** 3
    per_root = CELLS / sqrt(span_kpa)
    return FlowTable(
        yield_kpa=first_kpa,
        top_kpa=first_kpa + span_kpa,
        per_root=per_root,
        flow_ul_s=flow,
        slope=np.append(np.diff(flow) * per_root, 0.0),
    )
