"""What the commands make of photos by the second renderer (scripts/second_light), against the scenes' truth.

    scripts/second_light_figures.py sheets SHEET.json FOLDER [FIRST LAST] [--write]
    scripts/second_light_figures.py boards PLANS FOLDER [FIRST LAST] [--write]

`tune read` and `inspect` are run as a user runs them, and judged by what they write. Sheets: dots at least 20 pixels wide;
good photos whose median error passes 4 %, rough ones beyond the two standard errors they tell. Boards, by deposit: a fault
is told by its own verdict on any of its rows, and passed if all its rows are good.
PLANS holds a folder with plan.json for each board. With --write the table goes into docs/tuning.md or docs/inspection.md.
"""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
COMMAND = Path(sys.executable).with_name("pastewright")
WIDE_PX = 20.0
MOST = 0.04
WANTED = {
    "missing": {"missing"},
    "half": {"low", "missing"},
    "double": {"high"},
    "bridged": {"bridged"},
    "shifted": {"off"},
    "smeared": {"off"},
}


@dataclass
class ReadSheet:
    """One photo of a sheet; `off` and `score` of dots wide enough: errors as shares, and over what is claimed."""

    name: str
    ground: str
    refused: str = ""
    shared: float = 0.0
    rough: bool = False
    laid: int = 0
    measured: int = 0
    unlaid: int = 0
    off: list[float] = field(default_factory=list)
    score: list[float] = field(default_factory=list)

    @property
    def median(self) -> float:
        return float(np.median(self.off)) if self.off else 0.0

    @property
    def wrong(self) -> bool:
        """A wrong result passed off as good, or as better than it is."""
        return abs(self.median) > (2 * self.shared if self.rough else MOST)


def read_sheet(sheet: Path, photo: Path) -> ReadSheet:
    truth = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    one = ReadSheet(
        photo.stem, truth["scene"]["ground"], laid=sum(d is not None for d in truth["dots"].values())
    )
    with tempfile.TemporaryDirectory() as folder:
        words = [str(COMMAND), "tune", "read", str(sheet), str(photo), "--out", folder]
        done = subprocess.run(words, check=False, capture_output=True, text=True)
        table = Path(folder) / "dots.csv"
        if not table.exists():
            one.refused = (done.stderr or done.stdout).strip().split("\n")[0]
            return one
        one.rough = "rough: all diameters together" in done.stdout + done.stderr
        rows = list(csv.DictReader(line for line in table.read_text("utf-8").splitlines() if line[0] != "#"))
    for row in rows:
        true = truth["dots"][row["index"]]
        one.shared = max(one.shared, float(row["shared_sd"] or 0))
        if row["state"] != "measured":
            continue
        if true is None:
            one.unlaid += 1
            continue
        one.measured += 1
        if true["diameter_mm"] * truth["px_per_mm"] >= WIDE_PX:
            one.off.append(float(row["diameter_mm"]) / true["diameter_mm"] - 1)
            one.score.append((float(row["diameter_mm"]) - true["diameter_mm"]) / float(row["sigma_mm"]))
    return one


SHEET_HEAD = (
    "| ground | photos | good | rough | refused | dots measured | bias | 95th percentile"
    " | worst median of a good photo, of a rough one | good above 4 % | rough beyond what they say"
    " | error over claimed (rms of dots) |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|---|\n"
)


def sheet_row(name: str, photos: list[ReadSheet]) -> str:
    read = [p for p in photos if p.off]
    if not read:
        return f"| {name} | {len(photos)} | 0 | 0 | {len(photos)} | | | | | | | |\n"
    off, score = (np.concatenate([getattr(p, what) for p in read]) for what in ("off", "score"))
    good, rough = ([p for p in read if p.rough is kind] for kind in (False, True))
    worst = ", ".join(f"{max(abs(p.median) for p in kind):.1%}" if kind else "–" for kind in (good, rough))
    return (
        f"| {name} | {len(photos)} | {len(good)} | {len(rough)} | {len(photos) - len(read)}"
        f" | {sum(p.measured for p in read) / sum(p.laid for p in read):.1%} | {np.median(off):+.1%}"
        f" | {np.quantile(np.abs(off), 0.95):.1%} | {worst} | {sum(p.wrong for p in good)} | {sum(p.wrong for p in rough)}"
        f" | {np.sqrt(np.mean(score**2)):.2f} |\n"
    )


def sheets(sheet: Path, files: list[Path]) -> str:
    photos = []
    for file in files:
        one = read_sheet(sheet, file)
        photos.append(one)
        said = one.refused or (
            f"{'rough' if one.rough else 'good'} ±{200 * one.shared:.1f} % {one.measured}/{one.laid}"
            f" median {one.median:+.1%} p95 {np.quantile(np.abs(one.off or [0.0]), 0.95):.1%}"
            f" unlaid {one.unlaid}{' WRONG' if one.wrong else ''}"
        )
        print(f"{one.name:>5} {one.ground:>7} {said}", flush=True)
    grounds = list(dict.fromkeys(p.ground for p in sorted(photos, key=lambda p: int(p.name) % 11)))
    rows = [sheet_row(g, [p for p in photos if p.ground == g]) for g in grounds]
    return SHEET_HEAD + "".join(rows) + sheet_row("**all**", photos)


def read_board(plans: Path, photo: Path) -> tuple[dict, list[dict] | str]:
    """The truth, and the rows of inspection.json or why it was refused."""
    truth = json.loads(photo.with_suffix(".json").read_text("utf-8"))
    with tempfile.TemporaryDirectory() as folder:
        plan = plans / truth["design"] / "plan.json"
        words = [
            str(COMMAND),
            "inspect",
            str(plan),
            str(photo),
            "--out",
            folder,
            "--journal",
            f"{folder}/journal.db",
        ]
        done = subprocess.run(words, check=False, capture_output=True, text=True)
        found = Path(folder) / "inspection.json"
        if not found.exists():
            return truth, (done.stderr or done.stdout).strip().split("\n")[0]
        return truth, json.loads(found.read_text("utf-8"))["deposits"]


def judged(truth: dict, rows: list[dict]) -> tuple[Counter[str], list[float], list[str]]:
    """Counts by deposit, errors of good deposits' volumes, and what was not as it should be."""
    count: Counter[str] = Counter()
    off, wrong = [], []
    by_deposit: dict[int, list[dict]] = defaultdict(list)
    for row in rows:
        by_deposit[row["id"]].append(row)
    bridged_by = {d["deposit"] for d in truth["deposits"] if d["bridged_to"]}
    for true in truth["deposits"]:
        mine = by_deposit[true["deposit"]]
        if not true["in_photo"] or not mine:
            continue
        told = {row["verdict"] for row in mine}
        name = f"{true['deposit']} ({true['pads'][0]})"
        fault = true["fault"]
        if fault:
            count[fault] += 1
            if told & WANTED[fault]:
                count[f"{fault} told"] += 1
                continue
            kept = (
                "passed" if told == {"good"} else "not seen" if told <= {"good", "not seen"} else "as another"
            )
            count[f"{fault} {kept}"] += 1
            wrong.append(f"{name} {fault}: {', '.join(sorted(told))}")
        elif (
            not true["unsure"]
            and true["deposit"] not in bridged_by
            and 0.6 < true["volume_ul"] / true["planned_ul"] < 1.4
        ):
            for row in mine:
                if row["verdict"] == "not seen":
                    count["good not seen"] += 1
                    continue
                count["good"] += 1
                if row["verdict"] != "good":
                    count["false"] += 1
                    wrong.append(f"{name} good: {row['verdict']} {row['why']}")
            volumes = [row["volume_ul"] for row in mine]
            if None not in volumes:
                off.append(sum(volumes) / true["volume_ul"] - 1)
    return count, off, wrong


BOARD_HEAD = (
    "| | photos read, refused | missing told, passed | bridges told, passed | half told, passed | double told, passed"
    ' | shifted told, passed | smeared told, passed | false alarms | good, "not seen" | volume: median error, bias [%] |\n'
    "|---|---|---|---|---|---|---|---|---|---|---|\n"
)


def board_row(name: str, count: Counter[str], off: list[float]) -> str:
    kinds = ("missing", "bridged", "half", "double", "shifted", "smeared")
    cells = [
        f"{count[k + ' told']} of {count[k]}, {count[k + ' passed']}" if count[k] else "–" for k in kinds
    ]
    shares = np.array(off or [np.nan])
    rate = count["false"] / max(count["good"], 1)
    return (
        f"| {name} | {count['photos']}, {count['refused']} | {' | '.join(cells)} | {count['false']} of {count['good']}"
        f" ({rate:.1%}) | {count['good not seen']}"
        f" | {100 * np.median(np.abs(shares)):.1f}, {100 * np.median(shares):+.1f} |\n"
    )


def boards(plans: Path, files: list[Path]) -> str:
    sums: dict[str, Counter[str]] = defaultdict(Counter)
    errors: dict[str, list[float]] = defaultdict(list)
    for file in files:
        truth, rows = read_board(plans, file)
        scene = truth["scene"]
        keys = ("all", f"{scene['finish']} lands", f"{scene['ground']} mask")
        label = (
            f"{file.stem:>5} {truth['design']} {scene['ground']} {scene['finish']} {scene['light']['kind']}:"
        )
        if isinstance(rows, str):
            for key in keys:
                sums[key]["refused"] += 1
            print(label, "REFUSED", rows, flush=True)
            continue
        count, off, wrong = judged(truth, rows)
        for key in keys:
            sums[key].update(count)
            sums[key]["photos"] += 1
            errors[key] += off
        bias = f"{np.median(off):+.1%}" if off else "–"
        print(label, dict(count), "volume", bias, *(f"\n        {line}" for line in wrong), flush=True)
    return BOARD_HEAD + "".join(board_row(key, sums[key], errors[key]) for key in sorted(sums))


def main() -> None:
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    kind, design, folder = words[0], Path(words[1]), Path(words[2])
    first, last = (int(words[3]), int(words[4])) if len(words) > 4 else (0, 10**9)
    files = [file for file in folder.glob("[0-9]*.jpg") if file.with_suffix(".json").exists()]
    files = sorted((f for f in files if first <= int(f.stem) <= last), key=lambda f: int(f.stem))
    table = (sheets if kind == "sheets" else boards)(design, files)
    print(table)
    if "--write" in sys.argv:
        page = ROOT / "docs" / ("tuning.md" if kind == "sheets" else "inspection.md")
        block = re.compile(
            r"(<!-- numbers: made by scripts/second_light_figures\.py -->\n).*?(<!-- end -->)", re.DOTALL
        )
        changed, count = block.subn(
            lambda found: found.group(1) + table + found.group(2), page.read_text("utf-8")
        )
        if count != 1:
            sys.exit(f"{page.name} has lost its block of numbers")
        page.write_text(changed, "utf-8")


if __name__ == "__main__":
    main()
