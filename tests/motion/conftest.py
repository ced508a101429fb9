"""A bench, made-up boards, and a second simulator that goes through `Motions` move by move."""

from collections.abc import Callable
from dataclasses import replace
from math import hypot, pi, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from pastewright.deposit.model import Deposit, DepositKind, Layout, Share
from pastewright.motion.model import Motions, Step
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile
from pastewright.route.model import Tour, Visit


@pytest.fixture(scope="session")
def profile() -> Profile:
    demo = parse_profile(example_text(DEMO), "bench.toml")
    # A gain that is not one, so that leaving it out shows; the demo bench has it at one.
    return replace(demo, tuning=replace(demo.tuning, gain=0.93))


def _deposit(index: int, points: tuple[tuple[float, float], ...], volume: float) -> Deposit:
    dot = len(points) == 1
    width = (volume / (pi * 0.4 * (0.75 + 0.16) / 6)) ** (1 / 3) if dot else 0.3
    return Deposit(
        index=index,
        kind=DepositKind.DOT if dot else DepositKind.BEAD,
        points_mm=points,
        volume_ul=volume,
        width_mm=width,
        height_mm=0.4 * width,
        shares=(Share(pad_id=f"P{index}", volume_ul=volume),),
    )


Board = tuple[Layout, Tour]


@pytest.fixture(scope="session")
def board_of() -> Callable[..., Board]:
    """Return a function: (points, volume) pairs to a layout, visited in order, beads backwards where asked."""

    def made(*deposits: tuple[tuple[tuple[float, float], ...], float], backwards: bool = False) -> Board:
        laid = tuple(_deposit(i, points, volume) for i, (points, volume) in enumerate(deposits))
        visits = tuple(Visit(deposit=d.index, backwards=backwards and len(d.points_mm) > 1) for d in laid)
        tour = Tour(visits=visits, travel_mm=0.0, travel_s=0.0, bound_s=0.0)
        return Layout(deposits=laid, pads=()), tour

    return made


@pytest.fixture(scope="session")
def small_board(board_of: Callable[..., Board]) -> Board:
    """Dots and beads, small and large by turns, a serpentine among them."""
    serpentine = ((20.0, 5.0), (22.0, 5.0), (22.0, 5.6), (20.0, 5.6), (20.0, 6.2), (22.0, 6.2))
    return board_of(
        (((1.0, 1.0),), 0.03),
        (((2.0, 1.0),), 0.03),
        (((5.0, 1.0),), 0.4),
        (((6.0, 2.0), (7.5, 2.0)), 0.12),
        (((8.0, 2.0),), 0.03),
        (serpentine, 1.2),
        (((24.0, 8.0),), 0.03),
        (((25.0, 8.0), (25.0, 10.0)), 0.3),
        (((26.0, 12.0),), 0.1),
    )


@pytest.fixture(scope="session")
def delivered() -> Callable[..., dict[int | None, float]]:
    """Return a function: what leaves the tip, by deposit [µL], followed move by move with solve_ivp.

    Only `Motions` and the profile are read: positions of the motor, the speed and acceleration of each move, the play
    of the drive, the springs, and Herschel–Bulkley flow in the textbook form.
    """

    def simulate(
        motions: Motions, profile: Profile, *, start_kpa: float | None = None
    ) -> dict[int | None, float]:
        area = profile.barrel.area_mm2
        sweep_per_mm = area * profile.tuning.gain
        paste, tip, play = profile.paste, profile.tip, profile.plunger.backlash_mm
        left = profile.barrel.fill_ul

        def stored_at(pressure: float) -> float:
            linear = area**2 * 1e-3 / profile.plunger.frame_stiffness_n_mm + left / paste.bulk_modulus_kpa
            return linear * pressure + profile.tuning.bubble_ul * pressure / (101.325 + pressure)

        def flow(stored: float) -> float:
            pressure = brentq(lambda p: stored_at(p) - stored, -101.0, 1e6, xtol=1e-10)
            wall = pressure * tip.radius_mm / (2 * tip.length_mm)
            if wall <= paste.yield_stress_kpa:
                return 0.0
            n, f = paste.flow_index, paste.yield_stress_kpa / wall
            bracket = (1 - f) ** 2 / (3 * n + 1) + 2 * f * (1 - f) / (2 * n + 1) + f**2 / (n + 1)
            rate = (wall / paste.consistency_kpa_sn) ** (1 / n) * (1 - f) ** ((n + 1) / n)
            return pi * tip.radius_mm**3 * n * rate * bracket

        out: dict[int | None, float] = {}
        x = y = motor = 0.0
        plunger = play  # as after a retraction: the motor must cross the play before the plunger follows
        # In the middle of what programs and stops here leave, where nothing else is told: strips are made for that.
        yield_kpa = 2 * tip.length_mm * paste.yield_stress_kpa / tip.radius_mm
        stored = stored_at(profile.tuning.rest_fraction * yield_kpa / 2 if start_kpa is None else start_kpa)
        z = 0.0
        for move in motions.moves:
            swept_mm = abs(move.plunger_mm - motor)
            way, accel = swept_mm, profile.plunger.accel_mm_s2
            if move.step is Step.LAY:
                way, accel = hypot(move.x_mm - x, move.y_mm - y), profile.machine.accel_xy_mm_s2
            elif move.step in (Step.LOWER, Step.LIFT) and swept_mm > 0:
                way = abs(move.z_mm - z)
                accel = min(profile.machine.accel_z_mm_s2, accel * way / swept_mm)
            seconds = move.duration_s
            if move.plunger_mm == motor:
                # Nothing moves: what is above yield goes on flowing.

                def resting(t: float, o: np.ndarray, s: float = stored) -> list[float]:
                    return [flow(s - o[0])]

                answer = solve_ivp(resting, (0, seconds), [0.0], rtol=1e-7, atol=1e-10)
                came = float(answer.y[0, -1])
                stored -= came
            else:
                top = min(move.speed_mm_s, sqrt(accel * way))
                rise = top / accel

                def share(t: float, top=top, rise=rise, way=way, seconds=seconds, accel=accel) -> float:
                    if t < rise:
                        return accel * t * t / 2 / way
                    if t > seconds - rise:
                        return 1 - accel * max(seconds - t, 0.0) ** 2 / 2 / way
                    return (top * rise / 2 + top * (t - rise)) / way

                def swept(t: float, share=share, start=motor, end=move.plunger_mm, at=plunger) -> float:
                    now = start + (end - start) * share(t)
                    return (min(max(at, now), now + play) - at) * sweep_per_mm

                def pushed(
                    t: float, o: np.ndarray, s: float = stored, swept: Callable[[float], float] = swept
                ) -> list[float]:
                    return [flow(s + swept(t) - o[0])]

                answer = solve_ivp(pushed, (0, seconds), [0.0], rtol=1e-7, atol=1e-10, max_step=seconds / 25)
                came = float(answer.y[0, -1])
                stored += swept(seconds) - came
                plunger = min(max(plunger, move.plunger_mm), move.plunger_mm + play)
            left -= came
            out[move.deposit] = out.get(move.deposit, 0.0) + came
            x, y, z, motor = move.x_mm, move.y_mm, move.z_mm, move.plunger_mm
        return out

    return simulate
