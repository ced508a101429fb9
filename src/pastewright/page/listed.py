"""What lies in a folder and can be chosen or sent: plans by their heads, and programs by the files beside them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from os import stat_result
from pathlib import Path
from typing import Any, TypeVar

from msgspec import DecodeError, Struct, ValidationError, json

from pastewright.link.companions import MOST_BYTES, companion_of
from pastewright.problems import InputError, one_error
from pastewright.program.dialects import PROGRAM_ENDINGS
from pastewright.records.companion import kind_of_text
from pastewright.records.kinds import ProgramKind
from pastewright.records.reading import text_of_file

PLAN_FILE = "plan.json"


class PlanHead(Struct, frozen=True):
    """What a list of plans shows of a plan.json; everything else in it is passed over."""

    board: "_BoardHead"
    verdict: "_VerdictHead"
    totals: "_TotalsHead"
    dry: bool
    kind: ProgramKind = ProgramKind.BOARD
    program_sha256: str = ""


class _BoardHead(Struct, frozen=True):
    name: str
    side: str
    inputs_sha256: str


class _VerdictHead(Struct, frozen=True):
    ok: bool


class _TotalsHead(Struct, frozen=True):
    deposits: int
    machine_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """Something in the folder; `id` is what a browser calls it by."""

    id: str
    path: Path
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedPlan(Listed):
    """A folder with a plan.json, and its head."""

    head: PlanHead


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedProgram(Listed):
    """A program that Run can send, and what it is for."""

    kind: ProgramKind


AnyListed = TypeVar("AnyListed", bound=Listed)


def thing_id(path: Path) -> str:
    """Return a short name for a path that says nothing of it."""
    return sha256(str(path).encode("utf-8", "surrogateescape")).hexdigest()[:12]


def stamp_of(path: Path) -> tuple[object, ...]:
    """Return what changes when a file or the files of a folder do; one that is not there (any more) is left out."""
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    return tuple(
        (file.name, status.st_mtime_ns, status.st_size) for file in files if (status := _status(file))
    )


def named_of(things: Iterable[AnyListed], name: str) -> AnyListed:
    """Return the thing of this id; raises `InputError` where there is none."""
    for thing in things:
        if thing.id == name:
            return thing
    raise one_error("this is not in the folder any more", "Choose again.")


def plan_in(folder: Path, above: Path) -> ListedPlan | None:
    """Return the plan of a folder, None where there is none that can be read."""
    head = _head(folder / PLAN_FILE)
    if head is None:
        return None
    name = "this folder" if folder == above else str(folder.relative_to(above))
    return ListedPlan(id=thing_id(folder), path=folder, name=name, head=head)


def plan_row(plan: ListedPlan) -> Mapping[str, Any]:
    """Return a plan ready for JSON."""
    return {
        "id": plan.id,
        "stamp": stamp_of(plan.path / PLAN_FILE),
        "name": plan.name,
        "board": plan.head.board.name,
        "side": plan.head.board.side,
        "ok": plan.head.verdict.ok,
        "dry": plan.head.dry,
        "deposits": plan.head.totals.deposits,
        "machine_s": plan.head.totals.machine_s,
    }


def programs_in(folders: Iterable[Path], above: Path) -> list[ListedProgram]:
    """Return the programs of some folders that have a file beside them which says what they are for."""
    found: list[ListedProgram] = []
    for folder in folders:
        try:
            files = sorted(path for path in folder.iterdir() if path.suffix in PROGRAM_ENDINGS)
        except OSError:
            continue
        for file in files:
            try:
                beside = companion_of(file)
                kind = _kind(beside)
            except InputError:
                continue
            inside = folder.relative_to(above)
            name = str(inside) if file.stem == "program" and folder != above else str(inside / file.name)
            found.append(ListedProgram(id=thing_id(file), path=file, name=name, kind=kind))
    return found


def _kind(companion: Path) -> ProgramKind:
    if companion.name == PLAN_FILE and (head := _head(companion)) is not None:
        return head.kind
    text = text_of_file(
        companion, what="the file beside a program", mend="Write it anew.", most_bytes=MOST_BYTES
    )
    return kind_of_text(text, file=str(companion))


def _status(file: Path) -> stat_result | None:
    try:
        return file.stat()
    except OSError:
        return None


def _head(file: Path) -> PlanHead | None:
    status = _status(file)
    return None if status is None else _head_as_it_was(file, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=100)
def _head_as_it_was(file: Path, _changed_ns: int, _size: int) -> PlanHead | None:
    """A list is told after every choice, and the plan of a large board takes a tenth of a second to pass over."""
    try:
        return json.decode(file.read_bytes(), type=PlanHead)
    except (OSError, DecodeError, ValidationError, RecursionError):
        return None
