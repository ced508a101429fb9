"""Benches to test on, and a second simulator that shares no formula's code with the package."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import pi, sqrt

import pytest
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from pastewright.materials.model import Screw
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.flow import TipFlow
from pastewright.plunger.storage import Store

M5 = Screw(name="M5", lead_mm=0.8, pitch_diameter_mm=4.48, half_angle_deg=30, source="ISO 724", tag="")

# A 3 mL barrel with a trace of air behind a 22 gauge tip: soft, stores a hundred times a small dose.
SOFT = PlungerBench(
    tip=TipFlow(radius_mm=0.2065, length_mm=12.7, yield_kpa=0.15, consistency_kpa_sn=0.25, flow_index=0.4),
    store=Store(area_mm2=58.9, stiffness_n_mm=200.0, paste_ul=2000.0, bulk_modulus_kpa=1e5, bubble_ul=5.0),
    screw=M5,
    gear=5.0,
    motor_torque_nm=0.2,
    thread_friction=0.2,
    gain=1.0,
    microstep_mm=0.8 / (200 * 16 * 5),
    backlash_mm=0.03,
    stroke_mm=60.0,
    speed_mm_s=1.0,
    accel_mm_s2=10.0,
    wanted_push_ul_s=15.0,
    dwell_s=0.15,
    rest_fraction=0.5,
    barrel_limit_kpa=1e5,
)

# A 1 mL barrel in a stiff frame, no air: stores no more than a dose or two, so that ramps matter.
STIFF = replace(
    SOFT,
    store=Store(area_mm2=17.9, stiffness_n_mm=2000.0, paste_ul=800.0, bulk_modulus_kpa=1e6, bubble_ul=0.0),
)

# A stand-in without yield stress: rests at no pressure at all.
NEWTON = replace(
    SOFT,
    tip=TipFlow(radius_mm=0.2065, length_mm=12.7, yield_kpa=0.0, consistency_kpa_sn=0.02, flow_index=1.0),
)

# A motor so weak that larger dots must be pushed slowly.
WEAK = replace(SOFT, motor_torque_nm=0.0055)

BENCHES = {"soft": SOFT, "stiff": STIFF, "newton": NEWTON, "weak": WEAK}


@pytest.fixture(params=sorted(BENCHES))
def bench(request: pytest.FixtureRequest) -> PlungerBench:
    return BENCHES[request.param]


@pytest.fixture(scope="session")
def benches() -> dict[str, PlungerBench]:
    return BENCHES


@pytest.fixture(scope="session")
def any_bench() -> st.SearchStrategy[PlungerBench]:
    """Benches that a workshop might have, the odd ones included."""

    def made(numbers: dict[str, float]) -> PlungerBench:
        return replace(
            SOFT,
            tip=TipFlow(
                radius_mm=numbers["radius"],
                length_mm=numbers["length"],
                yield_kpa=numbers["yield"],
                consistency_kpa_sn=numbers["consistency"],
                flow_index=numbers["index"],
            ),
            store=Store(
                area_mm2=pi / 4 * numbers["bore"] ** 2,
                stiffness_n_mm=numbers["stiffness"],
                paste_ul=numbers["paste"],
                bulk_modulus_kpa=numbers["modulus"],
                bubble_ul=numbers["bubble"],
            ),
            backlash_mm=numbers["backlash"],
            accel_mm_s2=numbers["accel"],
            wanted_push_ul_s=numbers["push"],
            dwell_s=numbers["dwell"],
            rest_fraction=numbers["rest"],
        )

    ranges = {
        "radius": (0.1, 0.3),
        "length": (5.0, 20.0),
        "yield": (0.02, 0.3),
        "consistency": (0.05, 0.4),
        "index": (0.25, 1.0),
        "bore": (4.5, 15.0),
        "stiffness": (50.0, 2000.0),
        "paste": (200.0, 10_000.0),
        "modulus": (3e4, 1e6),
        "bubble": (0.0, 20.0),
        "backlash": (0.0, 0.06),
        "accel": (2.0, 50.0),
        "push": (3.0, 30.0),
        "dwell": (0.0, 0.5),
        "rest": (0.0, 0.9),
    }
    return st.fixed_dictionaries({name: st.floats(*span) for name, span in ranges.items()}).map(made)


def _flow(pressure: float, tip: TipFlow) -> float:
    """Chhabra and Richardson's form, term by term; the package uses another."""
    wall = pressure * tip.radius_mm / (2 * tip.length_mm)
    if wall <= tip.yield_kpa:
        return 0.0
    n, f = tip.flow_index, tip.yield_kpa / wall
    bracket = (1 - f) ** 2 / (3 * n + 1) + 2 * f * (1 - f) / (2 * n + 1) + f**2 / (n + 1)
    power = (wall / tip.consistency_kpa_sn) ** (1 / n) * (1 - f) ** ((n + 1) / n)
    return pi * tip.radius_mm**3 * n * power * bracket


def _stored(pressure: float, store: Store) -> float:
    frame = store.area_mm2**2 * 1e-3 / store.stiffness_n_mm
    air = store.bubble_ul * pressure / (101.325 + pressure)
    return (frame + store.paste_ul / store.bulk_modulus_kpa) * pressure + air


def _trapezoid(distance: float, speed: float, accel: float) -> tuple[Callable[[float], float], float]:
    top = min(speed, sqrt(accel * distance)) or 1.0
    rise = top / accel
    total = 2 * rise + (distance - top * rise) / top

    def way(t: float) -> float:
        if t <= 0 or distance == 0:
            return 0.0
        if t >= total:
            return distance
        if t < rise:
            return accel * t * t / 2
        if t > total - rise:
            return distance - accel * (total - t) ** 2 / 2
        return top * rise / 2 + top * (t - rise)

    return way, total


def _swept(way: Callable[[float], float], play: float, per_mm: float) -> Callable[[float], float]:
    return lambda t: max(way(t) - play, 0.0) * per_mm


@pytest.fixture(scope="session")
def simulated() -> Callable[..., tuple[float, float, float]]:
    """Return a function: a bench and its parts in, (volume out, pressure at the end, highest pressure) out.

    A part is ("sweep", µL, µL/s), ("wait", s) or ("walk", µL, legs, mm/s, mm/s²). The motor's travel, its backlash
    and the springs are followed with scipy's solve_ivp at a tolerance of 1e-9. Where `empties`, the paste that left is
    no longer there to give way.
    """

    def run(
        bench: PlungerBench, parts: Sequence[tuple], *, start_kpa: float | None = None, empties: bool = False
    ) -> tuple[float, float, float]:
        per_mm = bench.store.area_mm2 * bench.gain
        pressure = bench.rest_fraction * 2 * bench.tip.length_mm * bench.tip.yield_kpa / bench.tip.radius_mm
        pressure = pressure if start_kpa is None else start_kpa
        state = _stored(pressure, bench.store)
        out = highest = 0.0

        def pressure_of(volume: float, gone_ul: float) -> float:
            left = replace(
                bench.store, paste_ul=max(bench.store.paste_ul - (gone_ul if empties else 0.0), 0.0)
            )
            return float(brentq(lambda p: _stored(p, left) - volume, -60.0, 1e6, xtol=1e-11, rtol=1e-14))

        def go(sweep: Callable[[float], float], seconds: float, pieces: int) -> None:
            nonlocal state, out, highest
            if seconds <= 0:
                return
            begin, before = state, out
            answer = solve_ivp(
                lambda t, y: [_flow(pressure_of(begin + sweep(t) - y[0], before + y[0]), bench.tip)],
                (0.0, seconds),
                [0.0],
                rtol=1e-9,
                atol=1e-12,
                max_step=seconds / pieces,
            )
            out += answer.y[0, -1]
            for t, o in zip(answer.t, answer.y[0], strict=True):
                highest = max(highest, pressure_of(begin + sweep(t) - o, before + o))
            state = begin + sweep(seconds) - answer.y[0, -1]

        for part in parts:
            if part[0] == "wait":
                go(lambda t: 0.0, part[1], 1)
            elif part[0] == "sweep":
                sign = 1.0 if part[1] > 0 else -1.0
                way, seconds = _trapezoid(
                    abs(part[1]) / per_mm + bench.backlash_mm, part[2] / per_mm, bench.accel_mm_s2
                )
                go(_swept(way, bench.backlash_mm, sign * per_mm), seconds, 60)
            else:
                for leg in part[2]:
                    way, seconds = _trapezoid(leg, part[3], part[4])
                    go(_swept(way, 0.0, part[1] / sum(part[2])), seconds, 20)
        return out, pressure_of(state, out), highest

    return run
