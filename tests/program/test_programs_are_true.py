"""Programs read back by others: a small counter of our own making, and an RS274/NGC interpreter from Debian."""

import json
import re
import subprocess
from dataclasses import replace
from math import hypot
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec import structs
from programs_by_hand import BENCHES, HEADER, LABELS, MICROSTEP_MM, NGC, NGC_TIMED, SMALL, journeys

from pastewright.motion.model import Motions, Step
from pastewright.profile.model import DialectName, PlungerMode, PlungerUnit, Profile
from pastewright.program.write import write_program

CALLS = Path(__file__).parents[1] / "helpers" / "canonical_calls.py"
SYSTEM_PYTHON = "/usr/bin/python3"
INCH_MM = 25.4


class Stop(NamedTuple):
    """Where a line leads: tip [mm], plunger [its number], wait [s]."""

    x: float
    y: float
    z: float
    plunger: float
    wait_s: float


def counted(text: str, profile: Profile) -> list[Stop]:
    """Follow a program of either language, knowing only what stands in it."""
    letter = profile.plunger.letter
    at = {"X": float("nan"), "Y": float("nan"), "Z": float("nan"), letter: float("nan")}
    relative = None
    stops: list[Stop] = []
    for line in text.splitlines():
        if line[0] in ";(":
            continue
        words = [(w[0], float(w[1:])) for w in line.split("*")[0].split() if not w.startswith("N")]
        codes = {f"{k}{v:g}" for k, v in words if k in "GM"}
        values = {k: v for k, v in words if k not in "GM"}
        if "M83" in codes or "M82" in codes:
            relative = "M83" in codes
        if "G92" in codes:
            at |= values
            continue
        if "G4" in codes:
            if values["P"] == 0:
                continue  # a stop at a corner changes nothing
            unit = 0.001 if profile.controller.dialect is DialectName.REPRAP else 1.0
            stops.append(Stop(at["X"], at["Y"], at["Z"], at[letter], values["P"] * unit))
        elif codes & {"G0", "G1"}:
            for k, v in values.items():
                if k == letter and relative:
                    at[k] += v
                elif k != "F":
                    at[k] = v
            stops.append(Stop(at["X"], at["Y"], at["Z"], at[letter], 0.0))
    return stops


def per_mm(profile: Profile) -> float:
    """Numbers of the bench's plunger per mm, worked out anew: 0.8 mm a turn, 100 mm² of barrel."""
    return {
        PlungerUnit.MM: 1,
        PlungerUnit.UL: 100,
        PlungerUnit.TURN: 1 / 0.8,
        PlungerUnit.DEGREE: 360 / 0.8,
    }[profile.plunger.unit]


def kept_moves(motions: Motions) -> list:
    """Moves that change something: a push of no steps writes no line."""
    kept, at = [], None
    for move in motions.moves:
        place = (
            round(move.x_mm, 3),
            round(move.y_mm, 3),
            round(move.z_mm, 3),
            round(move.plunger_mm / MICROSTEP_MM),
        )
        if move.step in (Step.TRAVEL, Step.LAY, Step.DWELL) or place != at:
            kept.append(move)
        at = place
    return kept


@pytest.mark.parametrize("bench", BENCHES)
@given(motions=journeys())
@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
def test_reading_the_numbers_again_gives_every_place_and_every_microstep(
    bench: str, motions: Motions
) -> None:
    profile = BENCHES[bench]
    stops = counted(write_program(motions, profile, HEADER, LABELS).text, profile)
    moves = kept_moves(motions)
    assert len(stops) == len(moves)
    half = 0.5 * 10**-profile.controller.decimals + 1e-9
    for stop, move in zip(stops, moves, strict=True):
        if move.step is not Step.RAISE:
            assert abs(stop.x - move.x_mm) <= half
            assert abs(stop.y - move.y_mm) <= half
        assert abs(stop.z - move.z_mm) <= half
        # The controller steps to the nearest microstep: it must be the one that was meant, after any number of moves.
        steps = stop.plunger / per_mm(profile) / MICROSTEP_MM
        assert round(steps) == round(move.plunger_mm / MICROSTEP_MM)
        assert abs(steps - move.plunger_mm / MICROSTEP_MM) < 0.06
        if move.step is Step.DWELL:
            assert stop.wait_s == pytest.approx(move.duration_s, abs=0.0006)


def test_a_thousand_relative_thirds_end_where_they_should() -> None:
    # Distances of a third of a decimal, each rounded on its own, would drift by a third of it a line.
    profile = BENCHES["reprap"]
    drive = replace(profile.plunger, microsteps=32, gear=3.0)  # microsteps of 0.8/19200 mm = 0.0000416…
    profile = replace(profile, plunger=drive)
    push = next(move for move in SMALL.moves if move.step is Step.PUSH)
    moves = [structs.replace(push, plunger_mm=k * drive.microstep_mm) for k in range(1, 1001)]
    text = write_program(
        replace(SMALL, moves=(*SMALL.moves[:3], *moves), sections=()), profile, HEADER, LABELS
    ).text
    total = sum(float(e) for e in re.findall(r"^G1 E(\S+)", text, re.MULTILINE))
    assert total == pytest.approx(1000 * drive.microstep_mm, abs=0.5e-6)


@pytest.mark.parametrize("bench", BENCHES)
@given(motions=journeys())
@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.too_slow])
def test_every_mode_is_stated_before_it_is_relied_on(bench: str, motions: Motions) -> None:
    profile = BENCHES[bench]
    reprap = profile.controller.dialect is DialectName.REPRAP
    text = write_program(motions, profile, HEADER, LABELS).text
    codes: list[str] = []
    first = None
    inverse = False
    for line in text.splitlines():
        assert len(line) <= 256
        if line[0] in ";(":
            continue
        words = [word for word in line.split("*")[0].split() if not word.startswith("N")]
        codes += [word for word in words if word[0] in "GM"]
        inverse = (inverse or "G93" in words) and "G94" not in words
        axes = "".join(word[0] for word in words if word[0] in "XYZABCUE")
        if words[0] in ("G0", "G1"):
            first = first or (words[0], axes)
            assert not re.search(r"\d[eE]", line.split("*")[0])
            # each G1 says its own F, and G0 where it goes by F
            assert any(word[0] == "F" for word in words) == (words[0] == "G1" or reprap)
            assert set(codes) >= {"G21", "G90", "G92"}
            if profile.plunger.letter == "E":
                mode = "M83" if profile.controller.plunger_mode is PlungerMode.RELATIVE else "M82"
                assert codes.index(mode) > max(k for k, code in enumerate(codes) if code in ("G90", "G91"))
            if not reprap:
                assert set(codes) >= {"G94", "G17", "G40", "G49", "G80", "G54", "G61.1"}
    assert first == ("G0", "Z")
    assert not inverse
    assert codes[-1] == ("M400" if reprap else "M2")


# --- judged by Debian's RS274/NGC interpreter ---------------------------------------------------------------


def judged(text: str, folder: Path) -> list[list]:
    """Return the interpreter's canonical calls; skip where it is not installed, fail where it refuses."""
    probe = subprocess.run([SYSTEM_PYTHON, "-c", "import gcode"], capture_output=True, check=False)
    if probe.returncode:
        pytest.skip("the module gcode is not here: apt-get install --no-install-recommends linuxcnc-uspace")
    file = folder / "program.ngc"
    file.write_text(text)
    run = subprocess.run(
        [SYSTEM_PYTHON, CALLS, file, folder / "variables"], capture_output=True, text=True, check=True
    )
    answer = json.loads(run.stdout.splitlines()[-1])
    if answer["error"]:
        raise AssertionError(answer["error"])
    return answer["calls"]


NGC_BENCHES = [name for name, bench in BENCHES.items() if bench.controller.dialect is DialectName.NGC]


@pytest.mark.judge
@pytest.mark.parametrize("bench", NGC_BENCHES)
@given(motions=st.one_of(st.just(SMALL), journeys()))
@settings(
    deadline=None,
    max_examples=8,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_the_interpreter_moves_as_the_motions_do(bench: str, motions: Motions, tmp_path: Path) -> None:
    profile = BENCHES[bench]
    calls = judged(write_program(motions, profile, HEADER, LABELS).text, tmp_path)
    column = 1 + "XYZABCUVW".index(profile.plunger.letter)
    scale = INCH_MM if profile.plunger.letter in "UVW" else 1.0
    moves = iter(kept_moves(motions))
    feed = 0.0
    before = None
    for call in calls:
        if call[0] == "F":
            feed = call[1] * INCH_MM / 60
            continue
        if call == ["dwell", 0.0]:
            continue  # a stop at a corner
        move = next(moves)
        if call[0] == "dwell":
            assert move.step is Step.DWELL
            assert call[1] == pytest.approx(move.duration_s, abs=6e-5)
            continue
        assert (call[0] == "rapid") == (move.step in (Step.RAISE, Step.TRAVEL))
        half = 0.5 * 10**-profile.controller.decimals + 1e-9
        for k, place in enumerate((move.x_mm, move.y_mm, move.z_mm)):
            if move.step is not Step.RAISE or k == 2:
                assert abs(call[1 + k] * INCH_MM - place) <= half
        steps = call[column] * scale / per_mm(profile) / MICROSTEP_MM
        assert round(steps) == round(move.plunger_mm / MICROSTEP_MM)
        if call[0] == "feed":
            # F as the interpreter understands it, G93 resolved: the tip's speed where it moves, else the plunger's.
            own = per_mm(profile) if move.step in (Step.PUSH, Step.RETRACT) else 1.0
            # G93 divides by the way as written, so its rounding shows on short legs.
            way = hypot(move.x_mm - before.x_mm, move.y_mm - before.y_mm) if before else 1.0
            grain = 2 * half / way if move.step is Step.LAY else 0.0
            assert feed == pytest.approx(move.speed_mm_s * own, rel=1e-5 + 2 * grain)
        before = move
    assert next(moves, None) is None


@pytest.mark.judge
@pytest.mark.parametrize("bench", [name for name in NGC_BENCHES if BENCHES[name].plunger.letter in "ABC"])
def test_the_stand_alone_interpreter_accepts_the_program_and_refuses_a_cut_one(
    bench: str, tmp_path: Path
) -> None:
    text = write_program(SMALL, BENCHES[bench], HEADER, LABELS).text
    file = tmp_path / "program.ngc"

    def code() -> int:
        # It knows the axes XYZABC only, so a linear plunger letter is left to the test above.
        try:
            return subprocess.run(
                ["rs274", "-g", file, tmp_path / "calls"], cwd=tmp_path, capture_output=True, check=False
            ).returncode
        except FileNotFoundError:
            pytest.skip("rs274 is not here: apt-get install --no-install-recommends linuxcnc-uspace")

    file.write_text(text)
    assert code() == 0
    calls = (tmp_path / "calls").read_text()
    assert calls.count("STRAIGHT_FEED") == 4 + 6  # the dot's and the bead's
    assert calls.count("STRAIGHT_TRAVERSE") == 1 + 3  # raise, travel
    assert "PROGRAM_END" in calls
    file.write_text(text.replace("M2\n", ""))
    assert code() != 0


@pytest.mark.judge
def test_the_judge_sees_a_wrong_dwell_and_a_lost_feed(tmp_path: Path) -> None:
    # Broken on purpose, so that the agreement above is known to mean something.
    good = write_program(SMALL, NGC_TIMED, HEADER, LABELS).text
    broken = good.replace("G4 P0.2500", "G4 P250")
    assert ["dwell", 250.0] in judged(broken, tmp_path)
    assert ["dwell", 0.25] in judged(good, tmp_path)
    with pytest.raises(AssertionError, match="line"):
        judged(good.replace(" F150", ""), tmp_path)  # G93 without F
    with pytest.raises(AssertionError, match="line"):
        judged(write_program(SMALL, NGC, HEADER, LABELS).text.replace("(SAFETY)", "(SAFE(TY)"), tmp_path)
