"""What inspection finds in rendered photos against their truth: PLANS PHOTO… → a line a photo, then sums by ground.

Photos joined by + are given together: 8372-lamp.jpg+8372-window.jpg, names of the later ones without their folder.

A row counts when the photo shows it whole. "Found" wants the planted fault's own verdict; a bridge counts once, for both of
its deposits, and not where both its feet stand on pads of one net; what was planted and is truly joined to the next paste
may be told as bridged. A false alarm is any verdict but good, and but "not seen", on a row of which nothing was planted,
whose true volume lies within 60 to 140 %, and whose bead has no gap planted next to it; "bridged" with a deposit that was
planted double, shifted or smeared is counted by itself, and so is "bridged" where one's paste truly lies on the other's
land: a short, of which the truth of pastes alone knows nothing.
"""

import json
import sys
from collections import Counter, defaultdict
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent / "physical"))

from pasted import CELL_MM, Field

from pastewright.inspect.measure import RowReading
from pastewright.inspect.picture import BoardPicture, board_picture
from pastewright.inspect.read import Findings, findings_of
from pastewright.photo.file import read_photo
from pastewright.problems import InputError
from pastewright.records.kinds import DepositVerdict
from pastewright.records.plan import read_plan

WANTED = {
    "missing": {"missing"},
    "bridged": {"bridged"},
    "half": {"low", "missing"},
    "double": {"high"},
    "shifted": {"off"},
    "smeared": {"off"},
}


def main(plans: Path, photos: list[str]) -> None:
    pictures: dict[str, BoardPicture] = {}
    sums: dict[str, Counter[str]] = defaultdict(Counter)
    errors: dict[str, list[float]] = defaultdict(list)
    for words in photos:
        path, *more = (Path(word) for word in words.split("+"))
        told = json.loads(path.with_name(path.stem.split("-")[0] + ".json").read_text("utf-8"))
        scene = told["scene"]
        board = scene["board"]
        if board not in pictures:
            pictures[board] = board_picture(read_plan(plans / board / "plan.json"))
        land, mask = scene["land"]["kind"], scene["mask"]["kind"]
        keys = ("all", f"land {land}", f"mask {mask}")
        try:
            findings = findings_of(
                pictures[board], [read_photo(path), *(read_photo(path.with_name(one.name)) for one in more)]
            )
        except InputError as error:
            for key in keys:
                sums[key]["refused"] += 1
            print(Path(words).name, board, mask, land, "refused:", error.problems[0].what, flush=True)
            continue
        count, off, wrong = against(findings, told["rows"], scene["faults"])
        if any("bridged joined" in one for one in wrong):
            plan = json.loads((plans / board / "plan.json").read_text("utf-8"))
            shorts = on_others_lands(findings, scene, plan)
            count, off, wrong = against(findings, told["rows"], scene["faults"], shorts)
        for key in keys:
            sums[key].update(count)
            sums[key]["photos"] += 1
            errors[key] += off
        print(Path(words).name, board, mask, land, dict(count), "; ".join(wrong[:8]), flush=True)
    for key in sorted(sums):
        c, shares = sums[key], np.array(errors[key] or [0.0])
        faults = ", ".join(f"{kind} {c[kind + ' found']}/{c[kind]}" for kind in WANTED if c[kind])
        print(
            f"{key}: {c['photos']} photos, {c['refused']} refused; {faults}; false alarms {c['false']}/{c['fine']},"
            f" beside a fault {c['beside a fault']}, on another's land {c['on another land']}, fine not seen"
            f" {c['fine not seen']};"
            f" volume bias {np.median(shares):+.1%}, median error"
            f" {np.median(np.abs(shares)):.1%}, 95th percentile {np.percentile(np.abs(shares), 95):.1%}"
        )


def bridges(findings: Findings, rows: list[dict], faults: list[dict]) -> list[tuple[str, bool]]:
    """Return each planted bridge that the photo shows, and whether it was told, between whichever rows of its deposits."""
    shown = findings.picture.rows
    found = []
    for fault in faults:
        first = [n for n, row in enumerate(shown) if row.deposit.id == fault["id"]]
        seen = any((reading := findings.readings[n]) is not None and reading.whole for n in first)
        real = any(row["id"] == fault["id"] and row["joined"] for row in rows)
        if fault["kind"] != "bridged" or not seen or not real or _one_net(findings, fault):
            continue
        others = {row.deposit.id for row in shown if row.pad.id == fault["pads"][1]}
        told = any(
            findings.verdicts[n].verdict is DepositVerdict.BRIDGED
            and (reading := findings.readings[n]) is not None
            and any(shown[k].deposit.id in others for k in reading.joined)
            for n in first
        )
        found.append((f"{fault['pads'][0]} to {fault['pads'][1]}", told))
    return found


def _one_net(findings: Findings, fault: dict) -> bool:
    """Tell whether a planted bridge runs between beads' ends on pads of one net, where it does no harm."""
    rows = findings.picture.rows
    ends = [
        min(
            (row for row in rows if (row.deposit.id == fault["id"]) == own),
            key=lambda row: float(np.hypot(*(np.array(row.at_mm) - end))),
        )
        for own, end in zip((True, False), fault["line"], strict=True)
    ]
    return bool(ends[0].pad.net) and ends[0].pad.net == ends[1].pad.net


def against(
    findings: Findings,
    rows: list[dict],
    faults: list[dict],
    shorts: frozenset[tuple[int, int]] = frozenset(),
) -> tuple[Counter[str], list[float], list[str]]:
    """Return counts, relative errors of the volumes of good rows, and what was wrong; `shorts` are pairs of rows of which
    one's paste lies on the other's land.
    """
    truth = {(row["id"], row["pad"]): row for row in rows}
    bridged = {pad for row in rows if row["fault"] == "bridged" for pad in (row["pad"], *row["joined"])}
    gaps = {fault["id"] for fault in faults if fault["kind"] == "missing"}
    count: Counter[str] = Counter()
    off, wrong = [], []
    for name, told in bridges(findings, rows, faults):
        count["bridged"] += 1
        count["bridged found"] += told
        if not told:
            wrong.append(f"{name}: bridge not told")
    planted = _numbers_of(findings, faults)
    for row, verdict, reading in zip(
        findings.picture.rows, findings.verdicts, findings.readings, strict=True
    ):
        true = truth.get((row.deposit.id, row.pad.id)) if reading is not None and reading.whole else None
        if true is None or reading is None:
            continue
        kind = true["fault"] or ("bridged" if true["joined"] else "")
        share = true["volume_ul"] / true["planned_ul"]
        # Bridges are counted above; one bead's other pads, what an accident joined, and what a gap reaches into are not.
        aside = row.pad.id in bridged or not 0.6 < share < 1.4
        if kind == "bridged" or (not kind and (aside or (row.deposit.id in gaps and share < 0.8))):
            continue
        if kind:
            count[kind] += 1
            short = _short(reading, shorts)
            right = str(verdict.verdict) in _wanted(kind, true) | ({"bridged"} if short else set())
            count[f"{kind} found"] += right
            if not right:
                wrong.append(f"{row.pad.id} {kind}: {verdict.verdict} {verdict.why}")
            continue
        if verdict.verdict is DepositVerdict.NOT_SEEN:
            count["fine not seen"] += 1
            continue
        count["fine"] += 1
        if verdict.verdict is not DepositVerdict.GOOD:
            beside = bool(reading.joined) and planted.issuperset(reading.joined)
            short = any(
                (a, b) in shorts for k in reading.joined for a, b in ((reading.row, k), (k, reading.row))
            )
            count["on another land" if short else "beside a fault" if beside else "false"] += 1
            wrong.append(f"{row.pad.id}: {verdict.verdict} {verdict.why} (true {share:.2f})")
        if reading.there:
            off.append(reading.volume_ul / true["volume_ul"] - 1)
    return count, off, wrong


def on_others_lands(findings: Findings, scene: dict, plan: dict) -> frozenset[tuple[int, int]]:
    """Return the pairs of rows told as joined of which the first one's paste truly lies on the second one's land."""
    field = Field(scene, plan)
    _, bodies = cv2.connectedComponents((field.z > 0.006).astype(np.uint8), connectivity=8)
    moved = {fault["id"]: fault["by_mm"] for fault in scene["faults"] if fault["kind"] == "shifted"}
    shown = findings.picture.rows
    found = set()
    for reading in findings.readings:
        for first, other in [(reading.row, k) for k in reading.joined] if reading is not None else []:
            for a, b in ((first, other), (other, first)):
                at = np.array(shown[a].at_mm) + moved.get(shown[a].deposit.id, (0.0, 0.0)) - field.low
                column, line = np.round(at / CELL_MM).astype(int)
                if not (2 <= column < field.count - 2 and 2 <= line < field.count - 2):
                    continue
                body = set(np.unique(bodies[line - 2 : line + 3, column - 2 : column + 3]).tolist()) - {0}
                land = np.zeros(bodies.shape, np.uint8)
                rings = next(pad["land_mm"] for pad in plan["pads"] if pad["id"] == shown[b].pad.id)
                for ring in rings:
                    corners = np.round((np.array(ring) - field.low) / CELL_MM).astype(np.int32)
                    cv2.fillPoly(land, [corners], 255)
                if body & set(np.unique(bodies[land > 0]).tolist()):
                    found.add((a, b))
    return frozenset(found)


def _short(reading: RowReading, shorts: frozenset[tuple[int, int]]) -> bool:
    """Tell whether a row's paste lies on the land of one that it is told to be joined with, or the other's on its land."""
    return any((a, b) in shorts for k in reading.joined for a, b in ((reading.row, k), (k, reading.row)))


def _wanted(kind: str, true: dict) -> set[str]:
    """Return the verdicts that are right; what is smeared, or twice too much, into the next paste is told as bridged."""
    return WANTED[kind] | ({"bridged"} if true["joined"] else set())


def _numbers_of(findings: Findings, faults: list[dict]) -> set[int]:
    """Return the rows that were planted double, shifted or smeared: they come near their neighbours."""
    faulty = {fault["id"] for fault in faults if fault["kind"] in ("double", "shifted", "smeared")}
    return {n for n, row in enumerate(findings.picture.rows) if row.deposit.id in faulty}


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
