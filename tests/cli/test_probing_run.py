"""A probing program sent by `run`: read back before, kept in the journal, and its answers become the board's surface."""

import json
import re
from dataclasses import replace

import pytest
from pytest import approx

from pastewright.link.journal import Journal
from pastewright.profile.examples import example_text
from pastewright.profile.model import ProbeWord
from pastewright.profile.read import parse_profile
from pastewright.readback.judge.probing import probing_findings
from pastewright.readback.model import FindingKind
from pastewright.records.probing import probing_of_text

BENCHES = {"reprap": "bench-reprap-e", "cnc": "bench-ngc-rotary-a"}
SLOPES = (0.001, -0.002)


@pytest.fixture(scope="module", params=BENCHES)
def written(request, tmp_path_factory, logger_files):
    """A bench, the height of its bed, and a probing program for the demo board on it."""
    from pastewright.cli.app import app

    folder = tmp_path_factory.mktemp(request.param)
    bench = folder / "bench.toml"
    bench.write_text(example_text(BENCHES[request.param]), encoding="utf-8")
    words = ["probe", str(logger_files), "-p", str(bench), "--grid", "3x2", "-o", str(folder / "high")]
    assert app(words, standalone_mode=False) == 0
    program = next(path for path in folder.iterdir() if path.suffix in (".gcode", ".ngc"))
    return request.param, bench, program


def test_what_a_probing_run_touches_becomes_the_placement(written, run, tmp_path):
    protocol, bench, program = written
    profile = parse_profile(bench.read_text(encoding="utf-8"), "")
    low = profile.bed.board_z_mm - 0.3
    ground = f"{low},{SLOPES[0]},{SLOPES[1]}"
    journal = tmp_path / "runs.db"
    port = f"sim:{protocol}?scale=0&ground={ground}"
    told = run("run", program, "-p", bench, "--port", port, "--journal", journal)
    assert told.code == 0, told.out + told.err
    assert "6 places to be touched" in " ".join(told.out.split())
    surface = json.loads((program.parent / "placement.json").read_text("utf-8"))["boards"][0]["surface"]
    x, y = surface["at_mm"]
    # Printer controllers report two decimals.
    assert surface["z_mm"] == approx(low + SLOPES[0] * x + SLOPES[1] * y, abs=0.006)
    assert (surface["slope_x"], surface["slope_y"]) == approx(SLOPES, abs=2e-4)
    kept = Journal(journal)
    (row,) = kept.runs()
    assert (row.kind, row.phase, row.counts["done"], row.used_ul) == ("probing", "finished", 6, 0.0)
    assert kept.program(row.program)[1] == program.read_text("utf-8")
    kept.close()


def test_a_probe_that_touches_nothing_ends_the_run_and_writes_no_heights(written, run, tmp_path):
    protocol, bench, program = written
    deep = parse_profile(bench.read_text(encoding="utf-8"), "").bed.board_z_mm - 5.0
    for name in ("placement.json", "high.csv"):
        (program.parent / name).unlink(missing_ok=True)
    port = f"sim:{protocol}?scale=0&ground={deep}"
    told = run("run", program, "-p", bench, "--port", port, "--journal", tmp_path / "runs.db")
    assert told.code == 1, told.out
    assert re.search(r"Failed to reach|ALARM:5", told.out + told.err)
    assert not (program.parent / "placement.json").exists()


def spoiled(text: str, record_of: object, how: str) -> str:
    lines = text.splitlines()
    probes = [at for at, line in enumerate(lines) if line.startswith("G38.2")]
    at = probes[2]
    if how == "deeper":
        lines[at] = re.sub(r"Z-?[\d.]+", lambda found: f"Z{float(found[0][1:]) - 0.5:.3f}", lines[at])
    elif how == "elsewhere":
        lines[at - 1] = re.sub(r"X-?[\d.]+", lambda found: f"X{float(found[0][1:]) + 0.5:.3f}", lines[at - 1])
    elif how == "left out":
        del lines[at]
    elif how == "not lifted":
        del lines[next(k for k in range(at + 1, len(lines)) if lines[k].startswith("G0 Z"))]
    elif how == "lowered":
        lines.insert(at, lines[at].replace("G38.2", "G1"))
    else:
        lines.insert(at, f"G1 {how}1 F60")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("how", "kind"),
    [
        ("deeper", FindingKind.STANDOFF),
        ("elsewhere", FindingKind.PLACE),
        ("left out", FindingKind.MISSING),
        ("not lifted", FindingKind.LOW_TRAVEL),
        ("lowered", FindingKind.LOW_TRAVEL),
        ("plunger", FindingKind.STRAY),
    ],
)
def test_a_spoiled_probing_program_is_seen_and_not_sent(written, run, tmp_path, how, kind):
    _, bench, program = written
    profile = parse_profile(bench.read_text(encoding="utf-8"), "")
    record = probing_of_text(program.with_suffix(".json").read_text("utf-8"))
    text = program.read_text("utf-8")
    assert probing_findings(text, record, profile) == ()
    bad = spoiled(text, record, profile.plunger.letter if how == "plunger" else how)
    assert kind in {finding.kind for finding in probing_findings(bad, record, profile)}
    other = tmp_path / program.name
    other.write_text(bad, encoding="utf-8")
    (tmp_path / "probe.json").write_text(program.with_suffix(".json").read_text("utf-8"), encoding="utf-8")
    port = ("--port", "sim:reprap?scale=0", "--journal", tmp_path / "runs.db")
    told = run("run", other, "-p", bench, *port)
    assert told.code == 2 and "not verified" in told.err


def test_the_single_probe_word_is_read_back_too(written, logger_files, tmp_path):
    import pastewright as pw
    from pastewright.place.height.probe import probing
    from pastewright.place.transform import on_bed
    from pastewright.program.probing import probing_program, probing_record

    protocol, bench, _ = written
    if protocol == "cnc":  # these controllers have no such word
        return
    profile = parse_profile(bench.read_text(encoding="utf-8"), "")
    profile = replace(profile, probe=replace(profile.probe, word=ProbeWord.SINGLE))
    board = pw.read_board(logger_files)
    place = on_bed(profile.bed).boards[0]
    journey = probing(board, place.affine, profile, columns=2, rows=2)
    program = probing_program(journey, profile, board="x")
    record = probing_record(program, journey, profile, board=board, place=place)
    assert probing_findings(program.text, record, profile) == ()
    moved = re.sub(
        r"\nG0 X([\d.]+) (.*)\nG30", lambda f: f"\nG0 X{float(f[1]) + 1} {f[2]}\nG30", program.text, count=1
    )
    assert FindingKind.PLACE in {one.kind for one in probing_findings(moved, record, profile)}
