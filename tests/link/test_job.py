"""A program cut into blocks: nothing lost, nothing twice, and the same journey wherever it begins."""

import re
from dataclasses import replace
from itertools import pairwise

import pytest
from demo_plans import plan_of
from harness import drive, job_of, sender
from hypothesis import given
from hypothesis import strategies as st
from peers import Axes
from programs import LETTERS, written

from pastewright.board.model import Side
from pastewright.link.actions import Send
from pastewright.link.bench import bench_of
from pastewright.link.job import ProgramPart, read_job
from pastewright.link.left_out import chosen, in_air
from pastewright.link.phases import Phase
from pastewright.link.run import Run
from pastewright.link.words import Scan, wire_line, words_of
from pastewright.problems import InputError
from pastewright.records.plan import plan_of_data
from pastewright.virtual import Manners, VirtualController
from pastewright.virtual.state import AxisLimit

PROTOCOLS = ("reprap", "cnc")


@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize("deposits", [1, 2, 7])
def test_every_line_belongs_to_exactly_one_block(protocol, deposits):
    text, plan = written(protocol, deposits)
    job = read_job(text, plan_of_data(plan))
    covered = [line for block in job.blocks for line in range(block.first, block.last + 1)]
    assert covered == list(range(1, len(text.splitlines()) + 1))
    sent = [line for block in job.blocks for line in block.lines]
    assert sent == [line for line in map(wire_line, text.splitlines()) if line]
    parts = [block.part for block in job.blocks]
    assert parts == [
        ProgramPart.SETUP,
        ProgramPart.SETTLE,
        *[ProgramPart.DEPOSIT] * deposits,
        ProgramPart.END,
    ]


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_the_last_deposit_ends_with_its_lift(protocol):
    job = job_of(written(protocol, 3))
    assert job.blocks[-2].lines[-1] == "G1 Z12.000 F600"
    assert job.blocks[-1].lines[0].startswith("G1 X5.000 Y5.000")


@pytest.mark.parametrize(
    ("text", "wire"),
    [
        ("; only a comment", ""),
        ("%", ""),
        ("(msg) G21 ; mm", "G21"),
        ("N12 G1 X1.5*33", "G1 X1.5"),
        ("N0 M110 N0*125", ""),
        ("g1  x1   f60", "G1 X1 F60"),
        ("M117 Laying (U1) now", "M117 Laying (U1) now"),
        ("", ""),
    ],
)
def test_only_what_the_controller_needs_goes_out(text, wire):
    assert wire_line(text) == wire


def carried_out(protocol, lines):
    axes = Axes("XYZ" + LETTERS[protocol])
    for line in lines:
        axes.run(line.replace(" ", ""))
    return axes


def journey(protocol, blocks):
    """Where each line of the deposits took the axes, the plunger told as the way it went."""
    letter = LETTERS[protocol]
    axes = Axes("XYZ" + letter)
    steps = []
    for block in blocks:
        for line in block.lines:
            before = axes.place[letter]
            axes.run(line.replace(" ", ""))
            swept = 0.0 if "G92" in line else axes.place[letter] - before
            moves = any(word in line for word in ("X", "Y", "Z", letter)) and "G92" not in line
            if block.part is ProgramPart.DEPOSIT and moves:
                steps.append((axes.place["X"], axes.place["Y"], axes.place["Z"], round(swept, 6)))
    return steps


@given(data=st.data(), protocol=st.sampled_from(PROTOCOLS), relative=st.booleans())
def test_a_run_that_begins_anywhere_makes_the_same_moves_from_there(data, protocol, relative):
    job = job_of(written(protocol, 8, relative=relative and protocol == "reprap"))
    ids = [laid.id for laid in job.deposits]
    wanted = data.draw(st.sets(st.sampled_from(ids), min_size=1))
    whole = {}
    for block in job.blocks:
        if block.deposit is not None:
            before = [b for b in job.blocks if b.first < block.first]
            skipped = len(journey(protocol, before))
            whole[block.deposit] = journey(protocol, [*before, block])[skipped:]
    expected = [step for deposit in ids if deposit in wanted for step in whole[deposit]]
    assert journey(protocol, chosen(job, wanted)) == expected


@given(data=st.data(), protocol=st.sampled_from(PROTOCOLS))
def test_where_a_block_is_said_to_end_is_where_the_axes_are(data, protocol):
    job = job_of(written(protocol, 6, relative=protocol == "reprap"))
    wanted = data.draw(st.sets(st.sampled_from([laid.id for laid in job.deposits]), min_size=1))
    axes = Axes("XYZ" + LETTERS[protocol])
    for block in chosen(job, wanted):
        for line in block.lines:
            axes.run(line.replace(" ", ""))
        for letter, value in block.after.place.items():
            assert axes.place[letter] == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_in_the_air_the_tip_stays_up_and_the_plunger_still(protocol):
    job = in_air(job_of(written(protocol, 6)), 12.0)
    whole = job_of(written(protocol, 6))
    axes = Axes("XYZ" + LETTERS[protocol])
    places = []
    for block in job.blocks:
        for line in block.lines:
            axes.run(line.replace(" ", ""))
            if any(letter in line for letter in "XYZ"):
                assert axes.place["Z"] == 12.0
                places.append((axes.place["X"], axes.place["Y"]))
            assert axes.place[LETTERS[protocol]] == 0.0
        for letter, value in block.after.place.items():
            assert axes.place[letter] == pytest.approx(value, abs=1e-9)
    with_paste = Axes("XYZ" + LETTERS[protocol])
    visited = []
    for block in whole.blocks:
        for line in block.lines:
            with_paste.run(line.replace(" ", ""))
            if any(letter in line for letter in "XY"):
                visited.append((with_paste.place["X"], with_paste.place["Y"]))
    assert set(visited) <= set(places)


def test_a_bead_across_two_pads_is_one_deposit():
    text, plan = written("reprap", 3)
    plan["pads"].append({**plan["pads"][2], "id": "U9-9"})
    job = read_job(text, plan_of_data(plan))
    assert len(job.deposits) == 3
    assert job.deposits[2].pads == ("U2-1", "U9-9")


def test_inches_are_restated_and_followed():
    scan = Scan("E")
    for line in ("G20", "G90", "M82", "G1 X1 Y2 Z0.5 E3"):
        scan.line(line)
    assert scan.place == {"X": 25.4, "Y": 50.8, "Z": 12.7, "E": pytest.approx(76.2)}


@pytest.mark.parametrize("line", [0, 10_000])
def test_a_plan_of_another_program_is_refused(line):
    text, plan = written("reprap", 3)
    plan["pads"][1]["deposits"][0]["line"] = line
    with pytest.raises(InputError, match=r"line|lines"):
        read_job(text, plan_of_data(plan))


@pytest.mark.parametrize("end", ["\x0b", "\x0c", "\x1c", "\x85", "\u2028", "\u2029", "\r"])
def test_a_comment_hides_no_line_whatever_ends_lines_elsewhere(end):
    text, plan = written("reprap", 3)
    rows = text.split("\n")
    rows[6] += f" ; up{end}G1 Z-5.000 F600"
    rows[8] = f"M118 up{end}G1 Z-5.000 F600"
    sent = [line for block in read_job("\n".join(rows), plan_of_data(plan)).blocks for line in block.lines]
    assert sum(line.startswith("G1 Z-5") for line in sent) == 0


@pytest.mark.parametrize("line", ["G92 Z20.0", "G92", "G92.2", "G10 L20 P1 Z0", "G53 G0 Z0", "G92 E0 X5"])
def test_a_line_that_gives_places_other_numbers_is_refused_with_its_line(line):
    # Right as a whole, wrong where a run begins behind it, and lifted into the air: Z 12 is the board then.
    text, plan = written("reprap", 3)
    rows = text.split("\n")
    rows.insert(5, line)
    with pytest.raises(InputError, match="gives the places of X, Y and Z other numbers") as refused:
        read_job("\n".join(rows), plan_of_data(plan))
    assert refused.value.problems[0].line == 6


def test_a_program_that_changes_its_unit_is_not_lifted_into_the_air():
    text, plan = written("reprap", 3)
    job = read_job(f"G20\n{text}", plan_of_data(plan))
    with pytest.raises(InputError, match="inches"):
        in_air(job, 12.0)


def test_two_deposits_on_one_line_are_refused():
    text, plan = written("reprap", 3)
    plan["pads"][1]["deposits"][0]["line"] = plan["pads"][0]["deposits"][0]["line"]
    with pytest.raises(InputError, match="same line"):
        read_job(text, plan_of_data(plan))


@pytest.mark.parametrize(
    "document", [{}, {"pads": 3}, {"pads": [{}], "profile": {}, "board": {}, "totals": {}}, []]
)
def test_what_is_no_plan_is_refused_with_a_message(document):
    with pytest.raises(InputError):
        read_job("G21\n", plan_of_data(document))


def test_arcs_and_expressions_are_refused_with_their_line():
    text, plan = written("cnc", 2)
    lines = text.splitlines()
    at = plan["pads"][1]["deposits"][0]["line"]
    lines[at] = "G2 X1 Y1 I1 J0"
    with pytest.raises(InputError, match=rf"p:{at + 1}: .*arc"):
        read_job("\n".join(lines), plan_of_data(plan), file="p")


def test_relative_positions_cannot_be_lifted_into_the_air():
    job = job_of(written("cnc", 2))
    blocks = tuple(replace(block, after=replace(block.after, absolute=False)) for block in job.blocks)
    with pytest.raises(InputError, match="G91"):
        in_air(replace(job, blocks=blocks), 12.0)


def test_a_run_that_leaves_deposits_out_hops_no_lower_than_full_height_where_the_program_has_no_such_hop():
    plan = plan_of(Side.TOP)
    job = read_job(plan.program.text, plan.record)
    ids = [laid.id for laid in job.deposits]
    wanted = {ids[1], ids[2], ids[40], ids[-2]}
    full = plan.profile.travel_z_mm
    blocks = chosen(job, wanted)
    low = 0
    for before, block in pairwise(blocks):
        scan = Scan(job.letter, before.after)
        follows = block.first == before.last + 1
        for line in block.lines:
            was = scan.place.get("Z", full)
            scan.line(line)
            if line.startswith("G0") and scan.moved & {"X", "Y"}:
                assert was >= full - 1e-6 or follows, line
                low += was < full - 1e-6
    assert low >= 1  # from the second deposit to the third, as planned


def test_a_tip_that_comes_from_elsewhere_goes_no_faster_than_the_program_ever_does():
    # Lowered by its time (G93) from a hop's height in the program; from full height it would be several times as fast.
    plan = plan_of(Side.TOP, "bench-ngc-linear-u")
    job = read_job(plan.program.text, plan.record)
    ids = [laid.id for laid in job.deposits]
    z_mm_s, seen = plan.profile.machine.speed_z_mm_s, 0
    for block in chosen(job, set(ids[5::7])):
        scan = Scan(job.letter, block.before)
        for line in block.lines:
            was = dict(scan.place)
            scan.line(line)
            if "Z" in scan.moved and scan.inverse_time and not scan.rapid and "Z" in was:
                times = next(value for name, value in words_of(line) if name == "F")
                assert abs(scan.place["Z"] - was["Z"]) * times / 60 <= 1.02 * z_mm_s, line
                seen += 1
    assert seen > 20


def test_a_hop_from_elsewhere_is_no_faster_than_one_axis():
    plan = plan_of(Side.TOP)
    job = read_job(plan.program.text, plan.record)
    ids = [laid.id for laid in job.deposits]
    limit, seen = 60 * plan.profile.machine.speed_xy_mm_s, 0
    for before, block in pairwise(chosen(job, set(ids[1::5]))):
        if block.first == before.last + 1:
            continue
        scan = Scan(job.letter, block.before)
        across = ""
        for line in block.lines:
            scan.line(line)
            if scan.moved and scan.moved <= {"X", "Y"}:
                across = line
                break
        feed = next(value for name, value in words_of(across) if name == "F")
        assert feed <= limit * 1.002, across  # places have three decimals
        seen += 1
    assert seen > 20


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_program_higher_than_the_bench_says_is_lifted_to_its_own_height(protocol):
    # The board was probed and lies higher than the profile has it: at the bench's 9 mm the tip would be in the board.
    job = in_air(job_of(written(protocol, 6)), 9.0)
    heights = [block.after.place["Z"] for block in job.blocks if "Z" in block.after.place]
    assert set(heights) == {12.0}
    axes = Axes("XYZ" + LETTERS[protocol])
    for block in job.blocks:
        for line in block.lines:
            axes.run(line.replace(" ", ""))
            assert axes.place["Z"] == 12.0 or not {"X", "Y"} & set(line)


def with_zone(protocol, height_mm):
    text, plan = written(protocol, 8, relative=protocol == "reprap")
    box = {"x_from_mm": 0.0, "x_to_mm": 1.0, "y_from_mm": 0.0, "y_to_mm": 1.0}
    plan["placement"]["zones"] = [{"name": "clamp", **box, "height_mm": height_mm, "margin_mm": 1.0}]
    return job_of((text, plan))


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_where_no_height_clears_a_zone_the_tip_goes_by_the_places_that_are_left_out(protocol):
    job = with_zone(protocol, None)
    letter = LETTERS[protocol]
    left_out = [
        place for each in job.blocks if each.deposit in (12, 13, 14, 15) for place in across(protocol, each)
    ]
    (last,) = [block for block in job.blocks if block.deposit == 16]
    assert len(left_out) == 6  # of four deposits, two are beads with two places
    axes, way = Axes("XYZ" + letter), []
    for block in chosen(job, {11, 16}):
        for line in block.lines:
            swept = axes.place[letter]
            axes.run(line.replace(" ", ""))
            if block.deposit == 16 and "X" in line:
                way += [axes.place["X"], axes.place["Y"]]
                if len(way) <= 2 * len(left_out):
                    assert axes.place["Z"] == 12.0 and axes.place[letter] == swept
    assert way == pytest.approx([value for place in (*left_out, *across(protocol, last)) for value in place])


def across(protocol, block):
    """The places that a block goes to."""
    axes, way = Axes("XYZ" + LETTERS[protocol]), []
    axes.place.update(block.before.place)
    for line in block.lines:
        axes.run(line.replace(" ", ""))
        if "X" in line and "G92" not in line:
            way.append((axes.place["X"], axes.place["Y"]))
    return way


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_zone_that_the_program_rises_above_is_passed_straight(protocol):
    # The board lies at 10 mm and the program rises to 12.
    assert chosen(with_zone(protocol, 1.0), {11, 16}) == chosen(
        job_of(written(protocol, 8, relative=protocol == "reprap")), {11, 16}
    )
    assert with_zone(protocol, 2.5).walked and not with_zone(protocol, 1.0).walked


@pytest.mark.parametrize("bench_name", ["bench-reprap-e", "bench-ngc-rotary-a"])
def test_a_deposit_begun_from_travel_height_goes_out_whole_with_its_lift(bench_name):
    """The host may be gone a moment after the lowering went out: the lift must have gone with it."""
    plan = plan_of(Side.TOP, bench_name)
    protocol = "reprap" if bench_name == "bench-reprap-e" else "cnc"
    job = read_job(plan.program.text, plan.record)
    dots = [laid.id for laid in job.deposits if laid.kind == "dot"]
    sends: list[str] = []

    def watch(run, actions, now_s):
        sends.extend(action.data.decode() for action in actions if isinstance(action, Send))

    seen = 0
    for deposit in dots[5::25]:
        block = next(block for block in job.blocks if block.deposit == deposit)
        heights = [found[0] for line in block.lines if (found := re.search(r"Z-?[\d.]+", line))]
        down, up = heights[0], heights[-1]
        sends.clear()
        controller = VirtualController(protocol, scale=1.0, manners=Manners(baud=115_200))
        if protocol == "cnc":
            controller.feed(b"$X\n", 0.0)
            controller.take(0.0)  # its answer is not for the run
        run = Run(job, chosen(job, {deposit}), sender(protocol), bench_of(plan.profile))
        drive(run, controller, watch=watch)
        assert run.phase is Phase.FINISHED, run.why
        whole = next(data for data in sends if down in data and "G1" in data)
        assert up in whole[whole.index(down) :], (deposit, whole)
        seen += 1
    assert seen > 2


@pytest.mark.parametrize("bench_name", ["bench-reprap-e", "bench-ngc-rotary-a"])
def test_a_deposit_that_is_come_to_from_far_away_is_laid_however_long_the_way_takes(bench_name):
    """On the way reports have the tip where the program, which comes from elsewhere, would not: that is no mistake."""
    plan = plan_of(Side.TOP, bench_name)
    protocol = "reprap" if bench_name == "bench-reprap-e" else "cnc"
    job = read_job(plan.program.text, plan.record)
    slow = dict(Manners().limits) | dict.fromkeys("XY", AxisLimit(speed_mm_s=10.0, accel_mm_s2=100.0))
    controller = VirtualController(protocol, scale=1.0, manners=Manners(limits=slow))
    if protocol == "cnc":
        controller.feed(b"$X\n", 0.0)
        controller.take(0.0)
    run = Run(job, chosen(job, {job.deposits[60].id}), sender(protocol), bench_of(plan.profile))
    drive(run, controller)
    assert run.phase is Phase.FINISHED, run.why
