"""`inspect` and `touch-up` from files to files: photos joined, the bare board compared, frames placed, odd input told."""

import csv
import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from demo_plans import plan_of
from drawn_boards import board_photo
from msgspec import structs
from PIL import Image
from run_setting import SETTING

from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.demo.board import write_demo
from pastewright.dose.exposed import shrunk_openings
from pastewright.job.limits import DEFAULT_LIMITS, InspectionLimits, limits_of_record, limits_record
from pastewright.job.model import NO_JOB
from pastewright.link.job import read_job as read_program
from pastewright.link.journal import Journal
from pastewright.plan.pipeline import make_plan
from pastewright.profile.examples import DEMO, example_text
from pastewright.profile.read import parse_profile
from pastewright.records.kinds import ProgramKind
from pastewright.records.plan import InspectionLimitsRecord, PlanRecord, plan_text

LEFT, RIGHT = (12.5, 26.0), (17.5, 26.0)  # of two photos that overlap [mm]
SIZE = (560, 490)


def demo_plan() -> PlanRecord:
    return plan_of(Side.TOP).record


def deposit_of(pad_id: str):
    return next(pad for pad in demo_plan().pads if pad.id == pad_id).deposits[0]


def write_plan(folder: Path, plan: PlanRecord | None = None) -> Path:
    folder.mkdir(exist_ok=True)
    file = folder / "plan.json"
    file.write_text(plan_text(plan or demo_plan()), encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two photos that overlap, with FB1-1 missing and R2 bridged, and one of the board before pasting."""
    folder = tmp_path_factory.mktemp("photos")
    a, b = deposit_of("R2-1"), deposit_of("R2-2")
    neck = ((a.points_mm[0], b.points_mm[0]),)
    gone = frozenset({deposit_of("FB1-1").id})
    for name, middle in (("left", LEFT), ("right", RIGHT)):
        photo = board_photo(demo_plan(), middle_mm=middle, size=SIZE, left_out=gone, joined=neck)
        Image.fromarray(photo.pixels).save(folder / f"{name}.png")
    everything = frozenset(deposit.id for pad in demo_plan().pads for deposit in pad.deposits)
    bare = board_photo(
        demo_plan(), middle_mm=(15.0, 26.0), size=(640, 500), left_out=everything, turn_deg=12.0
    )
    Image.fromarray(bare.pixels).save(folder / "bare.png")
    return folder


def one_board(file: Path) -> int:
    """Enter a board laid with the plan's program, and its run, in a new journal."""
    made = plan_of(Side.TOP)
    journal = Journal(file)
    board = journal.begin_board(
        read_program(made.program.text, made.record),
        name="program.gcode",
        text=made.program.text,
        plan=made.record,
        number=1,
        now_s=0.0,
    )
    journal.begin_run(board, SETTING, process=1, now_s=1.0)
    journal.close()
    return board


def inspected(folder: Path) -> dict:
    found: dict = json.loads((folder / "inspection.json").read_text("utf-8"))
    return found


def verdicts(folder: Path) -> dict[str, str]:
    return {one["pad"]: one["verdict"] for one in inspected(folder)["deposits"]}


@pytest.mark.campaign  # five photos to be found
def test_photos_that_overlap_are_joined_and_the_bare_board_is_kept(
    run: Callable, photos: Path, tmp_path: Path
):
    plan = write_plan(tmp_path / "top")
    first = run("inspect", plan, photos / "left.png", photos / "right.png", "--before", photos / "bare.png")
    assert first.code == 1
    assert (tmp_path / "top" / "bare-board" / "bare.png").exists()
    out = tmp_path / "top" / "inspection"
    told = verdicts(out)
    assert told["FB1-1"] == "missing"
    assert told["R2-1"] == told["R2-2"] == "bridged"
    planted = {"FB1-1", "R2-1", "R2-2"}
    assert {told[pad] for pad in told if pad not in planted} == {"good", "not seen"}
    record = inspected(out)
    assert record["before"].endswith("bare.png")
    by_photo = [
        {one["pad"] for one in record["deposits"] if one.get("photo") == k and one["verdict"] == "good"}
        for k in (0, 1)
    ]
    assert all(len(pads) > 3 for pads in by_photo)  # each photo shows some that the other does not, or better
    with (out / "inspection.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {row["pad"]: row["verdict"] for row in rows} == told
    assert "wipe first" in first.out
    assert "R2" in first.out
    page = (out / "inspection.html").read_text("utf-8")
    assert page.count("data:image/jpeg") == 3
    # The next board of the batch is compared with the kept photo, unasked.
    again = run("inspect", plan, photos / "left.png")
    assert "compared with the bare board" in again.out


def test_frames_are_placed_by_the_machine_and_a_wrong_place_is_refused(
    run: Callable, photos: Path, tmp_path: Path
):
    plan = write_plan(tmp_path / "top")
    where = demo_plan().placement.boards[0]

    def frames(shift_mm: float) -> Path:
        at = np.array(where.matrix) @ np.array(LEFT) + np.array(where.shift_mm) + shift_mm
        file = photos / "frames.csv"
        file.write_text(f"file,x_mm,y_mm\nleft.png,{at[0]:.3f},{at[1]:.3f}\n", encoding="utf-8")
        return file

    journal = tmp_path / "journal.db"
    board = one_board(journal)
    named = ("--board", "1", "--journal", journal)
    assert run("inspect", plan, "--frames", frames(0.0), *named).code == 1
    # A board that is named has a folder of its own.
    assert verdicts(tmp_path / "top" / "inspection-1")["FB1-1"] == "missing"
    assert inspected(tmp_path / "top" / "inspection-1")["journal_board"] == board
    page = (tmp_path / "top" / "inspection-1" / "inspection.html").read_text("utf-8")
    assert "deposits need a look," in page and "are not seen" in page
    assert page.count("in no photo") == 1  # a reason is told once, with the pins of each part
    (words,) = Journal(journal).rows("SELECT text FROM events WHERE kind = 'inspected'")
    assert "1 missing" in words[0]
    stranger = run("inspect", plan, photos / "left.png", "--board", "nobody", "--journal", journal)
    assert stranger.code == 2
    assert "knows no board 'nobody'" in stranger.err
    wrong = run("inspect", plan, "--frames", frames(9.0))
    assert wrong.code == 2
    assert "not found" in wrong.err


@pytest.mark.campaign  # a photo more to be found; the plan's own part is tested below
def test_limits_come_from_the_plan_where_no_job_is_named(run: Callable, photos: Path, tmp_path: Path):
    limits = InspectionLimitsRecord(
        least_volume=0.01, most_volume=0.02, least_on_pad=0.75, most_offset=0.25, least_gap_mm=0.05
    )
    plan = write_plan(tmp_path / "top", structs.replace(demo_plan(), inspection=limits))
    assert run("inspect", plan, photos / "left.png").code == 1
    out = tmp_path / "top" / "inspection"
    assert inspected(out)["limits"]["most_volume"] == 0.02
    assert "high" in set(verdicts(out).values())
    assert "good" not in set(verdicts(out).values())


def test_a_touch_up_s_own_plan_is_not_inspected(run: Callable, tmp_path: Path):
    plan = write_plan(tmp_path / "touch", structs.replace(demo_plan(), kind=ProgramKind.TOUCH_UP))
    answer = run("inspect", plan, tmp_path / "photo.jpg")
    assert answer.code == 2
    assert "does not tell what else should stand on the board" in answer.err


def test_a_touch_up_is_no_batch(run: Callable, tmp_path: Path, bench: Path):
    made = plan_of(Side.TOP)
    plan = write_plan(tmp_path / "touch", structs.replace(made.record, kind=ProgramKind.TOUCH_UP))
    (tmp_path / "touch" / "program.gcode").write_text(made.program.text, encoding="utf-8")
    journal = tmp_path / "journal.db"
    assert run("barrel", "new", "A7", "--fill-ul", 2500, "--journal", journal).code == 0
    words = ("--profile", bench, "--journal", journal, "--barrel", "A7", "--port", "sim:reprap")
    answer = run("batch", plan, "--boards", 2, *words)
    assert answer.code == 2
    assert "a touch-up, for one board that stands there already" in answer.err


@pytest.mark.parametrize("odd", ["nothing", "other plan", "no deposits", "some", "everything"])
def test_inspections_are_touched_up_or_refused_in_words(run: Callable, tmp_path: Path, bench: Path, odd: str):
    plan = write_plan(tmp_path / "top")
    sha = hashlib.sha256(plan.read_bytes()).hexdigest()
    record = {
        "format": "pastewright inspection",
        "version": 1,
        "kind": "inspection",
        "made_by": "by hand",
        "board": demo_plan().board.name,
        "side": "top",
        "plan_file": str(plan),
        "plan_sha256": sha if odd != "other plan" else "1" * 64,
        "limits": {
            "least_volume": 0.5,
            "most_volume": 1.5,
            "least_on_pad": 0.75,
            "most_offset": 0.25,
            "least_gap_mm": 0.05,
        },
        "photos": [],
        "deposits": [],
    }
    missing = {"some": {"FB1-1", "R2-1"}, "everything": {pad.id for pad in demo_plan().pads}}.get(odd, set())
    if odd in ("nothing", "some", "everything"):
        record["deposits"] = [
            {
                "id": deposit.id,
                "board": pad.board,
                "pad": pad.id,
                "ref": pad.ref,
                "pin": pad.pin,
                "pad_kind": str(pad.kind),
                "form": str(pad.form),
                "kind": str(deposit.kind),
                "x_mm": deposit.points_mm[0][0],
                "y_mm": deposit.points_mm[0][1],
                "verdict": "missing"
                if pad.id in missing
                else "bridged"
                if odd == "some" and pad.id == "R2-2"
                else "good",
                "why": "",
                "wipe": odd == "some" and pad.id in ("R2-1", "R2-2"),
                "planned_ul": deposit.volume_ul,
                "planned_area_mm2": 0.1,
            }
            for pad in demo_plan().pads
            for deposit in pad.deposits
        ]
    file = tmp_path / "inspection.json"
    file.write_text(json.dumps(record), encoding="utf-8")
    answer = run("touch-up", file, "--profile", bench, "--out", tmp_path / "touch")
    if odd in ("some", "everything"):
        assert answer.code == 0, answer.err + answer.out
        laid = json.loads((tmp_path / "touch" / "plan.json").read_text("utf-8"))
        # What must be wiped first is not laid, though nothing may stand there by now.
        due = {"FB1-1"} if odd == "some" else {pad.id for pad in demo_plan().pads if pad.deposits}
        assert {pad["id"] for pad in laid["pads"] if pad["deposits"]} == due
        assert ("wipe the pad first" in answer.out) is (odd == "some")
    else:
        assert answer.code == 2
        says = {
            "nothing": "nothing is missing",
            "other plan": "not the plan",
            "no deposits": "different deposits",
        }
        assert says[odd] in answer.err


def test_a_job_s_limits_go_into_the_plan():
    limits = InspectionLimits(least_volume=0.6, most_volume=1.3, least_gap_mm=0.1)
    assert limits_of_record(limits_record(limits)) == limits
    assert limits_of_record(demo_plan().inspection) == DEFAULT_LIMITS
    job = replace(NO_JOB, inspection=limits)
    profile = parse_profile(example_text(DEMO), DEMO)
    with TemporaryDirectory() as folder:
        write_demo(Path(folder), "x2")
        board = shrunk_openings(read_board(Path(folder), Ask(side=Side.BOTTOM)), profile.dose.shrink_mm)
    record = make_plan(board, profile, job=job).record
    assert limits_of_record(record.inspection) == limits
