"""Say whether a change of the code changed what it makes: the sha256 of everything that is planned here.

    python scripts/fingerprints.py --keep before.json [--boards FOLDER]     writes what the code makes now
    python scripts/fingerprints.py --compare before.json [--boards FOLDER]  says what differs; exit code 1 if anything

Planned are the demo board (both sides, both Gerber flavours, every other format), the same on every example bench
and in the air, the tray of six, two tuning sheets, and each folder below FOLDER as a board, both sides. For each
the words on the terminal, the exit code and every file but the report are kept. All goes through the command line,
so that it outlives any change inside. `--only WORD` plans just the cases whose name holds the word.
"""

import argparse
import hashlib
import json
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parent.parent
COMMAND = Path(sys.executable).with_name("pastewright")
DEMO_BENCH = "bench-reprap-e"
SIDES = ("top", "bottom")
LEFT_OUT = ("report.html",)
"""The report's layout is looked at by people; what it says stands in the other files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One command whose results are kept; `out` is the folder that it writes."""

    name: str
    arguments: tuple[str, ...]
    out: str


def run(work: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """What a command of the tool printed, run in `work`."""
    return subprocess.run(
        [COMMAND, *arguments], cwd=work, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False
    )


def examples(work: Path) -> tuple[str, ...]:
    """The demo board in every format and a profile for every example bench, written below `work`."""
    subprocess.run(
        [sys.executable, ROOT / "examples" / "greenhouse_logger.py", "logger"],
        cwd=work,
        check=True,
        capture_output=True,
    )
    names = sorted(path.stem for path in (ROOT / "src/pastewright/profile/examples").glob("bench-*.toml"))
    for name in names:
        made = run(work, "profile", "new", f"{name}.toml", "--from", name)
        assert made.returncode == 0, made.stderr
    shutil.copy(ROOT / "examples" / "six-loggers.toml", work)
    return tuple(names)


def plan_case(name: str, source: str, bench: str, *more: str) -> Case:
    """A plan that is written whatever its verdict says."""
    arguments = ("plan", source, "-p", f"{bench}.toml", "-o", f"out/{name}", "--even-if-unverified", *more)
    return Case(name=name, arguments=arguments, out=f"out/{name}")


def cases(work: Path, benches: tuple[str, ...], boards: Path | None) -> list[Case]:
    """All that is planned."""
    made: list[Case] = []
    for source in sorted((work / "logger").iterdir()):
        for side in SIDES:
            name = f"demo-{source.name}-{side}".replace(".", "-")
            more = ("--units", "mm") if source.name == "table" else ()
            made.append(plan_case(name, f"logger/{source.name}", DEMO_BENCH, "--side", side, *more))
    for bench in benches:
        if bench != DEMO_BENCH:
            made.append(plan_case(f"demo-on-{bench}", "logger/x2", bench))
        made.append(plan_case(f"dry-on-{bench}", "logger/x2", bench, "--dry"))
    made.append(plan_case("tray", "logger/x2", DEMO_BENCH, "--tray", "six-loggers.toml"))
    for bench in (DEMO_BENCH, next(bench for bench in benches if "ngc" in bench)):
        name = f"sheet-{bench}"
        made.append(
            Case(
                name=name,
                arguments=("tune", "sheet", "-p", f"{bench}.toml", "-o", f"out/{name}"),
                out=f"out/{name}",
            )
        )
    folders = sorted(path for path in boards.iterdir() if path.is_dir()) if boards else []
    for folder in folders:
        shutil.copytree(folder, work / "boards" / folder.name)
        made.extend(
            plan_case(f"{folder.name}-{side}", f"boards/{folder.name}", DEMO_BENCH, "--side", side)
            for side in SIDES
        )
    return made


def digest(data: bytes) -> str:
    """The sha256 of some bytes."""
    return hashlib.sha256(data).hexdigest()


def fingerprint(work: Path, case: Case) -> dict[str, str]:
    """What the case printed and wrote, file by file."""
    done = run(work, *case.arguments)
    kept = {"exit code": str(done.returncode), "words": digest((done.stdout + done.stderr).encode())}
    out = work / case.out
    if out.is_dir():
        for path in sorted(path for path in out.rglob("*") if path.is_file()):
            if path.name not in LEFT_OUT:
                kept[str(path.relative_to(out))] = digest(path.read_bytes())
    return kept


def fingerprints(boards: Path | None, only: str, keep: Path | None) -> dict[str, dict[str, str]]:
    """All cases by name; the files themselves go to `keep`, where one is given."""
    with TemporaryDirectory() as folder:
        work = Path(folder)
        chosen = [case for case in cases(work, examples(work), boards) if only in case.name]
        with ThreadPoolExecutor(max_workers=2) as pool:
            made = list(pool.map(lambda case: fingerprint(work, case), chosen))
        if keep:
            shutil.copytree(work / "out", keep, dirs_exist_ok=True)
    return {case.name: kept for case, kept in zip(chosen, made, strict=True)}


def differences(before: dict[str, dict[str, str]], now: dict[str, dict[str, str]]) -> list[str]:
    """One line for each thing that is not the same."""
    lines = []
    for name in now:
        if name not in before:
            lines.append(f"{name}: new")
            continue
        lines.extend(
            f"{name}: {part} differs"
            for part in sorted(before[name].keys() | now[name].keys())
            if before[name].get(part) != now[name].get(part)
        )
    return lines


def main() -> int:
    """Keep or compare; exit code 1 when something differs."""
    parser = argparse.ArgumentParser(description="Fingerprints of all that is planned.")
    parser.add_argument("--keep", type=Path, help="write the fingerprints here")
    parser.add_argument("--compare", type=Path, help="compare with these")
    parser.add_argument("--boards", type=Path, help="a folder of boards, each a folder of fabrication files")
    parser.add_argument("--only", default="", help="only cases whose name holds this")
    parser.add_argument("--files", type=Path, help="keep the files themselves in this folder")
    asked = parser.parse_args()
    now = fingerprints(asked.boards, asked.only, asked.files)
    if asked.keep:
        asked.keep.write_text(json.dumps(now, indent=1) + "\n", encoding="utf-8")
    if not asked.compare:
        print(f"{len(now)} cases, {sum(map(len, now.values()))} fingerprints")
        return 0
    lines = differences(json.loads(asked.compare.read_text(encoding="utf-8")), now)
    print(
        "\n".join(lines) or f"nothing differs in {len(now)} cases, {sum(map(len, now.values()))} fingerprints"
    )
    return 1 if lines else 0


if __name__ == "__main__":
    sys.exit(main())
