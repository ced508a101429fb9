"""Rows of a reading to a timeline: where every move starts and ends, how fast it goes and how long it takes.

Every move is a trapezoid of its own and starts and ends at rest, so that times are upper bounds for
controllers that run through corners:

    speed      ____________          v = least of F and what every axis allows along this path
              /            \\         t_ramp = v/a, t = D/v + v/a   when D ≥ v²/a
         ____/              \\____    else a triangle: t_ramp = √(D/a), t = 2·t_ramp

F means the path of X, Y, Z where one of them moves, and the plunger's own travel where none does.
"""

from collections.abc import Mapping

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.profile.model import PlungerUnit, Profile
from pastewright.readback.text.arcs import PLANES, ArcMove
from pastewright.readback.text.controller import DWELL, LOST, RAPID, TIMED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class MachineTimeline(Struct, frozen=True, kw_only=True):
    """All moves, one per row, as columns of equal length.

    `start_mm`, `end_mm`: N×3, machine; not-a-number where no line has stated the place. `plunger_mm`: N+1,
    plunger forward of where the program began, on whole microsteps. `duration_s`, `ramp_s`: whole move, and
    one of its two ramps. `speed_mm_s`: what the program asks of the path (infinite for rapids); `path_mm`.
    `over`: N×4, asked speed over allowed speed of X, Y, Z and the plunger [-].
    """

    line: Ints
    kind: Ints
    start_mm: Floats
    end_mm: Floats
    plunger_mm: Floats
    path_mm: Floats
    speed_mm_s: Floats
    duration_s: Floats
    ramp_s: Floats
    over: Floats
    arcs: Mapping[int, ArcMove]

    def __len__(self) -> int:
        return len(self.line)


def plunger_mm_per_unit(profile: Profile) -> float:
    """Forward travel of the plunger [mm] for one unit behind its letter; negative when growing numbers pull.

    µL: over the barrel's area. Degrees and turns are the motor's: over the gear, times the screw's lead.
    """
    drive = profile.plunger
    size = {
        PlungerUnit.MM: 1.0,
        PlungerUnit.UL: 1.0 / profile.barrel.area_mm2,
        PlungerUnit.TURN: drive.screw.lead_mm / drive.gear,
        PlungerUnit.DEGREE: drive.screw.lead_mm / drive.gear / 360.0,
    }[drive.unit]
    return drive.sign * size


def timeline(table: Floats, arcs: Mapping[int, ArcMove], profile: Profile) -> MachineTimeline:
    """Return the timeline of rows (N×9, see `text.rows`) on the bench of `profile`."""
    unit = plunger_mm_per_unit(profile)
    kind = table[:, 1].astype(np.int64)
    end = table[:, 2:5]
    start = np.vstack([np.full((1, 3), np.nan), end[:-1]]) if len(table) else end
    microstep = profile.plunger.microstep_mm
    # The motor stands on whole microsteps; a controller rounds the position, not the distance.
    plunger = np.rint(np.concatenate([[0.0], table[:, 5] * unit]) / microstep) * microstep
    away, path = _paths(start, end, arcs, profile)
    sweep = np.diff(plunger)
    alone = path <= 0
    length = np.where(alone, np.abs(sweep), path)
    asked = np.where(alone, table[:, 7] * abs(unit), table[:, 6])
    is_timed = kind == TIMED
    asked[is_timed] = length[is_timed] / table[is_timed, 8]
    asked[kind == RAPID] = np.inf
    waits = (kind == DWELL) | (kind == LOST) | (length <= 0)
    duration, ramp, over = _times(away, sweep, length, asked, waits, profile)
    duration[waits] = np.where(kind[waits] == DWELL, table[waits, 8], 0.0)
    ramp[waits] = 0.0
    return MachineTimeline(
        line=table[:, 0].astype(np.int64),
        kind=kind,
        start_mm=start,
        end_mm=end,
        plunger_mm=plunger,
        path_mm=path,
        speed_mm_s=asked,
        duration_s=duration,
        ramp_s=ramp,
        over=over,
        arcs=arcs,
    )


def _paths(
    start: Floats, end: Floats, arcs: Mapping[int, ArcMove], profile: Profile
) -> tuple[Floats, Floats]:
    """Return how far each axis goes (N×3) and the length of the path (N) [mm].

    From an unknown place the longest way is taken: the whole travel of the axis. On an arc each of the two
    axes across may go at the full speed of the path, so each counts with the arc's whole length across.
    """
    machine = profile.machine
    away = np.abs(end - start)
    whole = np.array(
        [
            machine.x_max_mm - machine.x_min_mm,
            machine.y_max_mm - machine.y_min_mm,
            machine.z_max_mm - machine.z_min_mm,
        ]
    )
    unknown = np.isnan(start) & ~np.isnan(end)
    away = np.where(unknown, whole, np.nan_to_num(away))
    path = np.sqrt((away**2).sum(axis=1))
    for row, arc in arcs.items():
        u, v, _ = PLANES[arc.plane]
        away[row, u] = away[row, v] = abs(arc.radius_mm * arc.turn_rad)
        path[row] = arc.length_mm
    return away, path


def _times(
    away: Floats, sweep: Floats, length: Floats, asked: Floats, waits: NDArray[np.bool_], profile: Profile
) -> tuple[Floats, Floats, Floats]:
    """Return duration [s], one ramp [s], and asked over allowed speed for X, Y, Z and plunger (N×4)."""
    machine, drive = profile.machine, profile.plunger
    speeds = np.array([machine.speed_xy_mm_s, machine.speed_xy_mm_s, machine.speed_z_mm_s, drive.speed_mm_s])
    accels = np.array(
        [machine.accel_xy_mm_s2, machine.accel_xy_mm_s2, machine.accel_z_mm_s2, drive.accel_mm_s2]
    )
    safe = np.where(waits, 1.0, length)
    share = np.column_stack([away, np.abs(sweep)]) / safe[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        allowed = np.min(np.where(share > 0, speeds / share, np.inf), axis=1)
        accel = np.min(np.where(share > 0, accels / share, np.inf), axis=1)
        finite = np.where(np.isfinite(asked), asked, 0.0)
        over = np.where(waits[:, None], 0.0, share * finite[:, None] / speeds)
    speed = np.where(waits, 1.0, np.minimum(asked, allowed))
    accel = np.where(waits, 1.0, accel)
    ramp = np.minimum(speed / accel, np.sqrt(safe / accel))
    peak = ramp * accel
    return safe / peak + ramp, ramp, over
