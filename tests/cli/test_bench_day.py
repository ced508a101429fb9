"""A day at the bench through real terminals: from switching on to a pasted board and a barrel taken out."""

import json
from dataclasses import dataclass
from pathlib import Path
from time import sleep
from typing import Any

import pytest
from at_a_terminal import Machine, Person
from pytest import approx
from rendered_photos import Scene, jpeg_bytes, render

from pastewright.link.bench import plunger_units_per_mm
from pastewright.profile.examples import example_text
from pastewright.profile.model import Profile
from pastewright.profile.read import parse_profile
from pastewright.tune.sheet.model import read_sheet

SHIFT_MM = (0.4, -0.3)
"""How far the board truly lies from where the profile has it."""
PAGE_UP, RIGHT, DOWN = "\x1b[5~", "\x1b[C", "\x1b[B"

# A sheet is the best of two dozen orders; one is enough to be laid, and takes seconds.
ONE_ORDER = "import pastewright.tune.sheet.design as d; d.designed.__kwdefaults__['tries'] = 1"


@dataclass(frozen=True, kw_only=True)
class Day:
    """A bench of one protocol: its profile, what is true of the machine, and the first keys pressed."""

    protocol: str
    example: str
    home: str
    ground_mm: float
    start: str
    travel: tuple[str, ...]
    keys: tuple[tuple[str, str], ...]
    place: str

    def profile_file(self, folder: Path) -> Path:
        file = folder / "bench.toml"
        file.write_text(f'{example_text(self.example)}\n[run]\nhome = "{self.home}"\n', encoding="utf-8")
        return file

    def machine(self, folder: Path, *more: str) -> Machine:
        # Homed from somewhere in the middle; the port is opened many times, and this board does not start anew each time.
        ends = [word for axis in self.travel for word in ("--travel", axis)]
        ground = [f"--ground={self.ground_mm}", f"--start={self.start}", "--scale", "0.01"]
        return Machine(self.protocol, folder, *ends, *ground, *more)


DAYS = {
    # The profile says 20 mm, and home is at the bottom: up first.
    "reprap": Day(
        protocol="reprap",
        example="bench-reprap-e",
        home="G28",
        ground_mm=19.62,
        start="30,40,50",
        travel=("X=0,220", "Y=0,220", "Z=0,220"),
        keys=(
            ("4", "step 10 mm"),
            (PAGE_UP, "Z 10.00"),
            ("u", "Z 20.00"),
            ("u", "Z 30.00"),
            (RIGHT, "X 10.00"),
        ),
        place="100,80",
    ),
    # The profile says -62.3 mm, and home is at the top; it is locked until it is homed.
    "cnc": Day(
        protocol="cnc",
        example="bench-ngc-rotary-a",
        home="$H",
        ground_mm=-61.9,
        start="30,40,-20",
        travel=("X=0,400", "Y=0,300", "Z=-90,0"),
        keys=(("4", "step 10 mm"), (RIGHT, "X 10.00"), (RIGHT, "X 20.00")),
        place="140,100",
    ),
}


@pytest.fixture(params=["reprap"])
def day(request: pytest.FixtureRequest) -> Day:
    return DAYS[request.param]


@pytest.fixture
def bench(tmp_path: Path, day: Day) -> Path:
    return day.profile_file(tmp_path)


def by_hand(person: Person, day: Day) -> None:
    """Home, jog, touch off, load and purge on one connection."""
    person.answers(
        ("machine> ", "state"),
        ("not known", "home"),
        ("out of the gantry? (y/n)", "y"),
        ("homed: X 0.00  Y 0.00  Z 0.00", "jog"),
    )
    person.sees("step 0.1 mm")
    for key, shown in day.keys:
        person.types(key, enter=False)
        person.sees(shown)
    person.types("n", enter=False)
    person.sees("no such key")
    person.types("")
    x = float(day.place.split(",")[0])
    person.answers(
        ("machine> ", f"to {day.place}"),
        (f"{day.place}: X {x:.2f}", "touch-off probe"),
        ("board below the probe? (y/n)", "y"),
        (f"board_z_mm is {day.ground_mm:g} mm", "load"),
        ("to let the barrel in?", "12.5"),
        ("hands away? (y/n)", "y"),
    )
    person.sees("step 0.1 mm")
    person.types("3", enter=False)
    person.types("f", enter=False)
    person.sees("plunger -11.50")
    person.types("")
    person.answers(
        ("0 µL fed", "no"),
        ("5 µL fed", "yes"),
        ("loaded: 5 µL", "purge 8"),
        ("hands away? (y/n)", "y"),
        ("purged: 8 µL", "quit"),
    )


def finds_the_board(person: Person) -> None:
    """Steer onto the first mark, confirm the others where the machine has gone by itself, and let it probe."""
    person.sees("onto the middle of F1")
    person.sees("step 0.1 mm")
    for key, times in ((RIGHT, 4), (DOWN, 3)):
        for _ in range(times):
            person.types(key, enter=False)
            person.sees("step 0.1 mm")
    person.types("")
    for mark in ("F2", "F3"):
        person.sees(f"onto the middle of {mark}")
        person.sees("step 0.1 mm")
        person.types("")
    person.answers(("way clear? (y/n)", "y"))


def morning(there: Machine, bench: Path, day: Day) -> Profile:
    """Homed, tried by keys, touched off, a barrel in, its first paste wasted; returns the profile as it is then."""
    with Person("machine", "stay", "--port", there.port, "-p", bench) as person:
        by_hand(person, day)
        assert person.ends() == 0, person.seen
    profile = parse_profile(bench.read_text(encoding="utf-8"), "")
    assert profile.bed.board_z_mm == approx(day.ground_mm, abs=0.006)
    swept_mm = there.done()[-1]["plunger"] / plunger_units_per_mm(
        profile
    )  # -12.5 back, 1 forward, 5 and 8 µL, twice relieved
    relief_ul = 2 * profile.run.relieve_ul
    assert swept_mm == approx(-11.5 + (13 - relief_ul) / profile.barrel.area_mm2, abs=2e-3)
    return profile


def evening(there: Machine, bench: Path) -> list[dict[str, Any]]:
    """Take the barrel out; returns all that the machine has done."""
    with Person("machine", "unload", "--port", there.port, "-p", bench) as person:
        person.answers(("to free the barrel?", "8"), ("Is it out?", "y"))
        assert person.ends() == 0, person.seen
    return there.done()


def never_in_the_board(done: list[dict[str, Any]], profile: Profile, day: Day) -> None:
    """Within its travel, never into the board, and parked at the end."""
    bed = profile.bed
    reach = [[float(end) for end in axis[2:].split(",")] for axis in day.travel]
    for row in done:
        x, y, z = row["axes_mm"]
        assert all(
            low - 1e-4 <= at <= high + 1e-4 for at, (low, high) in zip((x, y, z), reach, strict=True)
        ), row
        over_board = 0 <= x - bed.board_x_mm <= 50 and 0 <= y - bed.board_y_mm <= 40
        assert not over_board or z >= day.ground_mm - 0.01, row
    assert done[-1]["axes_mm"] == approx([bed.park_x_mm, bed.park_y_mm, profile.travel_z_mm], abs=1e-3)


@pytest.mark.parametrize("day", ["reprap", pytest.param("cnc", marks=pytest.mark.campaign)], indirect=True)
def test_a_barrel_is_put_in_and_taken_out_at_the_bench(tmp_path: Path, bench: Path, day: Day) -> None:
    with day.machine(tmp_path, "--keep-on-open") as there:
        profile = morning(there, bench, day)
        done = evening(there, bench)
    never_in_the_board(done, profile, day)


@pytest.mark.campaign
@pytest.mark.parametrize("day", list(DAYS), indirect=True)
def test_a_whole_day_at_the_bench(tmp_path: Path, bench: Path, day: Day, logger_files: Path) -> None:
    placement, plan, sheet, journal = (
        tmp_path / name for name in ("placement.json", "plan", "sheet", "runs.db")
    )
    with day.machine(tmp_path, "--keep-on-open") as there:
        port = ("--port", there.port, "-p", bench)
        profile = morning(there, bench, day)
        # A tuning sheet for what was measured, laid at once; its photo comes later.
        words = ("tune", "sheet", *port, "-o", sheet, "--run", "--journal", journal)
        with Person(*words, before=ONE_ORDER) as person:
            assert person.agrees() == 0, person.seen
        assert "finished" in person.seen
        assert (sheet / "sheet.json").exists()
        # The board: found by its marks, probed, planned where it lies, tried in the air, pasted.
        with Person("register", logger_files, *port, "--grid", "2x2", "-o", placement) as person:
            finds_the_board(person)
            assert person.ends() == 0, person.seen
        found = json.loads(placement.read_text(encoding="utf-8"))["boards"][0]
        assert found["shift_mm"] == approx(
            [profile.bed.board_x_mm + SHIFT_MM[0], profile.bed.board_y_mm + SHIFT_MM[1]], abs=0.02
        )
        assert found["surface"]["z_mm"] == approx(day.ground_mm, abs=0.006)
        with Person("plan", logger_files, "-p", bench, "--placement", placement, "-o", plan) as person:
            assert person.ends() == 0, person.seen
        (file,) = [path for path in plan.glob("program.*") if path.suffix in (".gcode", ".ngc")]
        program = ("run", file, "--plan", plan / "plan.json", *port, "--journal", journal)
        with Person(*program, "--dry") as person:
            assert person.agrees() == 0, person.seen
            assert "finished" in person.seen
        three = ("batch", plan, "--boards", "3", *port, "--journal", journal, "--barrel", "A7")
        with Person("barrel", "new", "A7", "--fill-ul", "2000", "--journal", journal) as person:
            assert person.ends() == 0, person.seen
        with Person(*three) as person:
            assert person.agrees() == 0, person.seen
            assert "ended: 3 laid" in person.seen, person.seen
        done = evening(there, bench)
    never_in_the_board(done, profile, day)


@pytest.mark.campaign
def test_a_sheet_that_is_laid_waits_for_its_photo(tmp_path: Path, bench: Path, day: Day) -> None:
    sheet, photo = tmp_path / "sheet", tmp_path / "with a space.jpg"
    with (
        day.machine(tmp_path, "--keep-on-open") as there,
        Person(
            *("tune", "sheet", "-p", bench, "--port", there.port, "-o", sheet, "--run"),
            *("--journal", tmp_path / "runs.db"),
            before=ONE_ORDER,
        ) as person,
    ):
        for _ in range(3):  # the card lies there held fast, the way is clear, not gone in the air
            person.answers(("(y/n)", "y"))
        person.sees("(Enter: later):")
        person.types("nowhere.jpg")
        person.sees("nowhere.jpg")
        person.sees("(Enter: later):")
        person.types("'half a quote.jpg")
        person.sees("between two quotes")
        person.sees("(Enter: later):")
        person.types(str(bench))
        person.sees("(Enter: later):")  # no picture: said, and asked again
        laid = read_sheet(sheet / "sheet.json")
        seen, _ = render(Scene(sheet=laid, width_px=3200, height_px=2400, fill=0.85, seed=3))
        photo.write_bytes(jpeg_bytes(seen))
        person.types(f"'{photo}'")
        assert person.ends() == 0, person.seen
        assert "Traceback" not in person.seen
    assert (sheet / "dots.csv").read_text("utf-8").count("measured") > 0.95 * len(laid.dots)


@pytest.mark.parametrize("end", ["closed terminal", "Ctrl-C", "told to end"])
def test_whatever_ends_the_host_lifts_the_tip_of_a_hand(
    tmp_path: Path, bench: Path, day: Day, end: str
) -> None:
    with day.machine(tmp_path) as there:
        with Person("machine", "jog", "--home", "-p", bench, "--port", there.port) as person:
            person.answers(("out of the gantry? (y/n)", "y"))
            person.sees("step 0.1 mm")
            for key, shown in (("4", "step 10 mm"), ("u", "Z 10.00"), ("u", "Z 20.00")):
                person.types(key, enter=False)
                person.sees(shown)
            assert there.where_mm()[2] == approx(20.0)  # on the board, as the profile has it
            if end == "closed terminal":
                person.close_terminal()
            elif end == "Ctrl-C":
                person.types("\x03", enter=False)
            else:
                person.process.terminate()
            person.process.wait(60)
        assert there.where_mm()[2] == approx(22.0)
        assert (
            there.done()[-1]["plunger"] == 0
        )  # nothing was pushed: drawn back, the next run would begin with too little
        assert person.process.returncode == 130


ALARMS = {
    # The gantry is shorter than its profile says: a switch is met at 15 mm. Where home is at the bottom, up first.
    "reprap": ("bench-reprap-e", "G28", "halted", [("u", "Z 10.00"), ("u", "Z 20.00"), ("u", "Z 30.00")]),
    "cnc": ("bench-ngc-rotary-a", "$H", "ALARM:1 (a limit switch was hit)", []),
}


@pytest.mark.parametrize("protocol", ALARMS)
def test_an_alarm_in_the_middle_of_a_jog_is_told_and_nothing_more_is_sent(
    tmp_path: Path, protocol: str
) -> None:
    name, home, alarm, up = ALARMS[protocol]
    bench = tmp_path / "bench.toml"
    bench.write_text(f'{example_text(name)}\n[run]\nhome = "{home}"\n', encoding="utf-8")
    ends = ["--travel", "X=0,15", "--start", "3,4,30", "--scale", "0.01"]
    with Machine(protocol, tmp_path, *ends) as there:
        with Person("machine", "jog", "--home", "-p", bench, "--port", there.port) as person:
            person.answers(("out of the gantry? (y/n)", "y"))
            person.sees("step 0.1 mm")
            for key, shown in (("4", "step 10 mm"), *up, (RIGHT, "X 10.00")):
                person.types(key, enter=False)
                person.sees(shown)
            person.types(RIGHT, enter=False)
            person.sees("not lifted")
            person.sees(alarm)
            person.sees("larger than the machine")
            assert person.ends() == 1
        assert there.where_mm()[0] == approx(15.0, abs=1e-4)


def test_a_locked_controller_moves_nothing_until_it_is_homed(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(example_text("bench-ngc-rotary-a") + '\n[run]\nhome = "$H"\n', encoding="utf-8")
    with Machine("cnc", tmp_path, "--start", "30,40,-20", "--scale", "0.01", "--ground=-61.9") as there:
        with Person("machine", "stay", "-p", bench, "--port", there.port) as person:
            person.answers(("machine> ", "to park"))
            person.sees("nothing moves while the place of the tip is not known")
            person.answers(("machine> ", "touch-off probe"))
            person.sees("nothing moves while the place of the tip is not known")  # before anything is asked
            assert [row for row in there.done() if row["text"].startswith("G1")] == []
            person.answers(("machine> ", "home"), ("(y/n)", "y"), ("homed: X 0.00", "load"))
            person.answers(("let the barrel in?", "q"), ("left without an answer", "to 110,90"))
            person.answers(
                ("110,90: X 110.00", "touch-off probe"), ("(y/n)", "y"), ("board_z_mm is -61.9 mm", "quit")
            )
            assert person.ends() == 0
        assert there.where_mm() == approx((110.0, 90.0, -61.9 + 4.0), abs=1e-3)  # at travel height


def test_a_closed_terminal_stops_a_travel_on_its_way(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(example_text("bench-ngc-rotary-a") + '\n[run]\nhome = "$H"\n', encoding="utf-8")
    with Machine("cnc", tmp_path, "--scale", "2") as there:
        with Person("machine", "to", "300,200", "--home", "-p", bench, "--port", there.port) as person:
            person.answers(("out of the gantry? (y/n)", "y"))
            person.sees("homed")
            sleep(1.5)  # 30 mm/s in this slow motion of a machine: well on its way, and far from its end
            person.close_terminal()
            assert person.process.wait(60) == 130
        x, y, _ = there.where_mm()
        assert 0.0 < x < 290.0
        assert y == approx(x * 2 / 3, abs=0.01)
