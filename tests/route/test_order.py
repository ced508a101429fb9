"""Orders of deposits: least machine time, beads from either end, and bounds that no order goes below."""

from collections.abc import Callable
from itertools import permutations, product
from math import inf, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pastewright.board.model import Point
from pastewright.deposit.model import Deposit, DepositKind
from pastewright.kinematics import move_time_s, move_times_s
from pastewright.profile.model import Machine
from pastewright.route import bound as bound_module
from pastewright.route.bound import Task, path_bound
from pastewright.route.model import Visit
from pastewright.route.order import order

MACHINE = Machine(
    x_min_mm=0,
    x_max_mm=300,
    y_min_mm=0,
    y_max_mm=300,
    z_min_mm=0,
    z_max_mm=50,
    speed_xy_mm_s=100,
    speed_z_mm_s=20,
    accel_xy_mm_s2=1000,
    accel_z_mm_s2=300,
)


def laid(*lines: tuple[Point, ...]) -> list[Deposit]:
    return [
        Deposit(
            index=k,
            kind=DepositKind.DOT if len(points) == 1 else DepositKind.BEAD,
            points_mm=points,
            volume_ul=0.1,
            width_mm=0.3,
            height_mm=0.1,
            shares=(),
        )
        for k, points in enumerate(lines)
    ]


def hop_s(a: Point, b: Point) -> float:
    return move_time_s(max(abs(a[0] - b[0]), abs(a[1] - b[1])), 100, 1000)


def path_s(deposits: list[Deposit], visits: tuple[Visit, ...], start: Point, end: Point | None) -> float:
    """Time of the hops, added up one by one and apart from the code under test."""
    total, here = 0.0, start
    for visit in visits:
        points = deposits[visit.deposit].points_mm[:: -1 if visit.backwards else 1]
        total += hop_s(here, points[0])
        here = points[-1]
    return total + (hop_s(here, end) if end is not None else 0.0)


def all_orders(deposits: list[Deposit]) -> list[tuple[Visit, ...]]:
    n = len(deposits)
    return [
        tuple(Visit(deposit=k, backwards=b) for k, b in zip(which, ways, strict=True))
        for which in permutations(range(n))
        for ways in product(*([(False, True) if len(deposits[k].points_mm) > 1 else (False,) for k in which]))
    ]


# --- time of a move ---------------------------------------------------------------------------------------


def test_a_move_that_reaches_its_speed_takes_the_time_worked_by_hand() -> None:
    # 50 mm at 100 mm/s and 1000 mm/s²: 0.5 s at speed and 0.1 s for both ramps' loss.
    assert move_time_s(50, 100, 1000) == pytest.approx(0.6, rel=1e-12)


@pytest.mark.parametrize("name", ["trap-move-50", "trap-move-2"])
def test_move_times_agree_with_the_check_values(name: str, check_value: Callable[[str], Any]) -> None:
    case = check_value(name)
    inputs = (case.of("distance", "mm"), case.of("vmax", "mm/s"), case.of("accel", "mm/s2"))
    assert case.agrees(move_time_s(*inputs), "s"), case.source
    assert case.agrees(float(move_times_s(np.array([inputs[0]]), *inputs[1:])[0]), "s"), case.source


def test_a_short_move_is_a_triangle_with_the_textbook_time(check_value: Callable[[str], Any]) -> None:
    # Start with 2 m/s², stop with 4 m/s², 100 m. A triangle of unequal ramps a, b takes the time of equal
    # ramps of their harmonic mean 2ab/(a + b): both are √(2D(a + b)/(ab)).
    case = check_value("tri-time")
    a, b = case.of("accel", "mm/s2"), case.of("decel", "mm/s2")
    assert case.agrees(move_time_s(case.of("distance", "mm"), 1e9, 2 * a * b / (a + b)), "s"), case.source


@given(
    d=st.floats(0, 1e4, allow_subnormal=False),
    more=st.floats(0, 1e3),
    v=st.floats(0.01, 1e3),
    a=st.floats(0.1, 1e5),
)
@settings(deadline=None)
def test_move_time_grows_with_distance_and_beats_no_limit(d: float, more: float, v: float, a: float) -> None:
    time_s = move_time_s(d, v, a)
    # What is lost below the least number there is, is no time.
    assert time_s >= d / v * (1 - 1e-12) - 1e-300
    assert time_s >= 2 * sqrt(d / a) * (1 - 1e-12)
    assert move_time_s(d + more, v, a) >= time_s * (1 - 1e-12)
    assert move_times_s(np.array([d]), v, a)[0] == pytest.approx(time_s, rel=1e-12)


@pytest.mark.parametrize(("v", "a"), [(0, 1), (1, 0), (-1, 1)])
def test_an_axis_without_speed_or_acceleration_is_refused(v: float, a: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        move_time_s(1, v, a)
    with pytest.raises(ValueError, match="above zero"):
        move_times_s(np.ones(1), v, a)


# --- worked cases -----------------------------------------------------------------------------------------


def test_no_deposits_need_no_travel() -> None:
    sequence = order([], start_mm=(1, 2), machine=MACHINE)
    assert (sequence.visits, sequence.travel_mm, sequence.travel_s) == ((), 0, 0)
    way = order([], start_mm=(0, 0), end_mm=(30, 40), machine=MACHINE)
    assert way.travel_mm == pytest.approx(50)
    assert way.travel_s == pytest.approx(0.5)  # 40 mm on the slower axis: 0.4 s + 0.1 s


def test_one_dot_is_one_hop() -> None:
    sequence = order(laid(((30.0, 40.0),)), start_mm=(0, 0), machine=MACHINE, lift_s=0.25)
    assert sequence.visits == (Visit(deposit=0, backwards=False),)
    assert sequence.travel_mm == pytest.approx(50)
    assert sequence.travel_s == pytest.approx(0.75)
    assert sequence.bound_s == pytest.approx(0.75)


def test_a_bead_is_laid_from_its_nearer_end() -> None:
    bead = laid(((50.0, 0.0), (20.0, 5.0), (1.0, 0.0)))
    assert order(bead, start_mm=(0, 0), machine=MACHINE).visits == (Visit(deposit=0, backwards=True),)
    assert order(bead, start_mm=(60, 0), machine=MACHINE).visits == (Visit(deposit=0, backwards=False),)


def test_beads_side_by_side_are_laid_to_and_fro() -> None:
    beads = laid(*(((0.0, float(k)), (20.0, float(k))) for k in range(6)))
    sequence = order(beads, start_mm=(0, -1), machine=MACHINE)
    assert [visit.deposit for visit in sequence.visits] == list(range(6))
    assert [visit.backwards for visit in sequence.visits] == [False, True] * 3
    assert sequence.travel_mm == pytest.approx(6.0)  # six hops of 1 mm; without turning about, 5 × 20 more


def test_a_free_end_is_not_walked_back_from() -> None:
    row = laid(*(((float(k),) * 2,) for k in (3, 1, 4, 2, 5)))
    sequence = order(row, start_mm=(0, 0), machine=MACHINE)
    assert [visit.deposit for visit in sequence.visits] == [1, 3, 0, 2, 4]
    assert sequence.travel_s == pytest.approx(5 * 2 * sqrt(1 / 1000))


def test_a_given_end_is_where_the_tour_stops() -> None:
    row = laid(((1.0, 0.0),), ((9.0, 0.0),))
    assert [v.deposit for v in order(row, start_mm=(5, 0), end_mm=(0, 0), machine=MACHINE).visits] == [1, 0]
    assert [v.deposit for v in order(row, start_mm=(5, 0), end_mm=(10, 0), machine=MACHINE).visits] == [0, 1]


def test_visits_name_deposits_by_their_own_index() -> None:
    some = laid(((1.0, 0.0),), ((2.0, 0.0),), ((3.0, 0.0),))[1:]
    assert [visit.deposit for visit in order(some, start_mm=(0, 0), machine=MACHINE).visits] == [1, 2]


# --- what always holds ------------------------------------------------------------------------------------

places = st.tuples(st.integers(0, 12), st.integers(0, 12)).map(lambda p: (float(p[0]), float(p[1])))
lines = st.lists(st.one_of(st.tuples(places), st.tuples(places, places)), max_size=25)
ends = st.one_of(st.none(), places)


@given(lines=lines, start=places, end=ends)
@settings(deadline=None, max_examples=150)
def test_every_deposit_is_visited_once_in_no_more_time_than_as_given(
    lines: list[tuple[Point, ...]], start: Point, end: Point | None
) -> None:
    deposits = laid(*lines)
    sequence = order(deposits, start_mm=start, end_mm=end, machine=MACHINE)
    assert sorted(visit.deposit for visit in sequence.visits) == list(range(len(deposits)))
    as_given = tuple(Visit(deposit=k, backwards=False) for k in range(len(deposits)))
    assert sequence.travel_s <= path_s(deposits, as_given, start, end) + 1e-9
    assert sequence.travel_s == pytest.approx(path_s(deposits, sequence.visits, start, end), abs=1e-9)
    assert sequence.bound_s <= sequence.travel_s


@given(
    lines=st.lists(st.one_of(st.tuples(places), st.tuples(places, places)), min_size=1, max_size=4),
    start=places,
    end=ends,
)
@settings(deadline=None, max_examples=150)
def test_the_bound_is_never_above_the_best_of_all_orders(
    lines: list[tuple[Point, ...]], start: Point, end: Point | None
) -> None:
    deposits = laid(*lines)
    best_s = min(path_s(deposits, visits, start, end) for visits in all_orders(deposits))
    sequence = order(deposits, start_mm=start, end_mm=end, machine=MACHINE)
    assert sequence.bound_s <= best_s * (1 + 1e-12)
    assert sequence.travel_s >= best_s * (1 - 1e-12)


def test_small_tours_are_nearly_always_the_best_of_all_orders() -> None:
    generator = np.random.default_rng(11)
    missed = 0
    for _ in range(40):
        deposits = laid(
            *(tuple(map(tuple, generator.random((1 + generator.integers(2), 2)) * 50)) for _ in range(4))
        )
        best_s = min(path_s(deposits, visits, (0, 0), None) for visits in all_orders(deposits))
        missed += order(deposits, start_mm=(0, 0), machine=MACHINE).travel_s > best_s + 1e-9
    assert missed <= 2


def test_a_mirrored_board_takes_the_same_time() -> None:
    generator = np.random.default_rng(5)
    here = laid(*(tuple(map(tuple, generator.random((1 + k % 2, 2)) * 80)) for k in range(150)))
    there = laid(*(tuple((-x, -y) for x, y in deposit.points_mm) for deposit in here))
    one = order(here, start_mm=(0, 0), machine=MACHINE)
    other = order(there, start_mm=(0, 0), machine=MACHINE)
    assert other.visits == one.visits
    assert other.travel_s == pytest.approx(one.travel_s, rel=1e-12)


@pytest.mark.parametrize("end", [None, (80.0, 0.0)])
def test_no_order_found_by_other_means_goes_below_the_bound(end: Point | None) -> None:
    # Nearest next, and orders at random: all must stay above the bound, which is close to the tour.
    generator = np.random.default_rng(2)
    deposits = laid(*(tuple(map(tuple, generator.random((1 + k % 2, 2)) * 80)) for k in range(200)))
    sequence = order(deposits, start_mm=(0, 0), end_mm=end, machine=MACHINE)
    for _ in range(20):
        visits = tuple(
            Visit(deposit=int(k), backwards=bool(generator.integers(2))) for k in generator.permutation(200)
        )
        assert path_s(deposits, visits, (0, 0), end) > sequence.bound_s
    here, left, nearest_next = (0.0, 0.0), set(range(200)), []
    while left:
        k, backwards = min(
            ((k, b) for k in left for b in (False, True)),
            key=lambda kb: hop_s(here, deposits[kb[0]].points_mm[-1 if kb[1] else 0]),
        )
        left.remove(k)
        nearest_next.append(Visit(deposit=k, backwards=backwards))
        here = deposits[k].points_mm[0 if backwards else -1]
    assert sequence.travel_s < path_s(deposits, tuple(nearest_next), (0, 0), end)
    assert sequence.bound_s > 0.9 * sequence.travel_s


def test_the_bound_of_many_nodes_is_as_valid_as_the_one_over_all_pairs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Rows of pads far apart: near neighbours alone know nothing of the ways between rows.
    generator = np.random.default_rng(8)
    rows = generator.random((30, 2)) * 100
    x = (rows[:, :1] + np.arange(20) * 0.5).ravel()
    y = (rows[:, 1:] + np.zeros(20)).ravel()
    task = Task(x=x, y=y, mate=np.full(600, -1), end=None, cost=np.hypot, norm=2)
    path = list(range(600))
    cost = float(np.hypot(np.diff(x), np.diff(y)).sum())
    over_all_pairs = path_bound(task, path, path_cost=cost)
    monkeypatch.setattr(bound_module, "ALL_PAIRS", 0)
    from_neighbours = path_bound(task, path, path_cost=cost)
    assert 0.5 * over_all_pairs < from_neighbours
    assert from_neighbours <= cost


@given(seed=st.integers(0, 10**6))
@settings(deadline=None, max_examples=40)
def test_the_floored_tree_never_weighs_more_than_the_tree_over_all_pairs(seed: int) -> None:
    generator = np.random.default_rng(seed)
    n = 60
    heaps = generator.integers(0, 40, (6, 2))
    points = heaps[generator.integers(0, 6, n)] + generator.random((n, 2)) * generator.choice([0.1, 1, 30])
    mate = np.full(n, -1)
    mate[1], mate[2] = 2, 1
    task = Task(x=points[:, 0].copy(), y=points[:, 1].copy(), mate=mate, end=5, cost=np.maximum, norm=inf)
    penalty = generator.normal(0, 1, n)
    # The floor changes the penalties a little; with a share of none it must not.
    share, bound_module.FLOOR_SHARE = bound_module.FLOOR_SHARE, 0.0
    try:
        floored = bound_module._floored_value(task, penalty)
    finally:
        bound_module.FLOOR_SHARE = share
    tree, _, _ = bound_module._all_pairs_tree(task, penalty)
    assert floored <= task.value(tree, penalty) + 1e-9
