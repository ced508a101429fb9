"""The folder that the page works in, and what lies there: benches, boards' files, plans. Nothing is kept but choices.

No path comes from a browser: it is told names with numbers, and gives a number back. A choice that files cannot hold
(which bench of two) lasts as long as the server.
"""

import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from pastewright.board.model import LayerRole, Side
from pastewright.board.read import reader_of
from pastewright.page.listed import (
    PLAN_FILE,
    Listed,
    ListedPlan,
    ListedProgram,
    named_of,
    plan_in,
    plan_row,
    programs_in,
    stamp_of,
    thing_id,
)
from pastewright.problems import InputError, one_error
from pastewright.profile.model import Profile
from pastewright.profile.read import read_profile
from pastewright.records.kinds import ProgramKind

BENCH_FILE = "bench.toml"
PLACEMENT_FILE = "placement.json"
MOST_ENTRIES = 400
"""Names of a folder that are looked at; a folder for a job has a few dozen (own choice)."""
HEAD_BYTES = 4096
SHEETS = "tuning-sheet"
"""How the folders of tuning sheets begin, the command's own among them; a second one has a number behind it."""
SHEET_FILE, DOTS_FILE = "sheet.json", "dots.csv"
SKIPPED = frozenset({".git", ".venv", "node_modules", "__pycache__"})


class WorkFolder:
    """The folder, and what is chosen in it. `changed` is called after each choice."""

    def __init__(self, folder: Path, *, changed: Callable[[], None] = lambda: None) -> None:
        if not folder.is_dir():
            raise one_error(
                "there is no such folder", "Give a folder to work in, or a plan.json.", file=str(folder)
            )
        self.folder = folder.resolve()
        self.changed = changed
        self.side = Side.TOP
        self.roles: dict[str, LayerRole] = {}
        self.units, self.columns, self.cut_short = "", "", False
        self.placed = False
        """Whether boards are planned where placement.json says, not in the bed's corner."""
        self._bench: Path | None = None
        self._source: Path | None = None
        self._sheet: Path | None = None

    # -- what lies there --------------------------------------------------------------------------------

    def entries(self) -> list[Path]:
        """Return what is in the folder, sorted; hidden names and those of tools are passed over."""
        try:
            found = sorted(self.folder.iterdir(), key=lambda path: path.name.lower())
        except OSError:
            return []
        shown = [path for path in found if not path.name.startswith(".") and path.name not in SKIPPED]
        return shown[:MOST_ENTRIES]

    def benches(self) -> list[Listed]:
        """Return the profiles in the folder."""
        found = [path for path in self.entries() if path.suffix == ".toml" and _is_bench(path)]
        return [Listed(id=thing_id(path), path=path, name=path.name) for path in found]

    def sources(self) -> list[Listed]:
        """Return what may be a board's fabrication data: zips, folders that hold such files, the folder itself."""
        found = [path for path in (self.folder, *self.entries()) if _is_source(path)]
        if self._source is not None and self._source not in found and self._source.exists():
            found.append(self._source)  # a single drawing, which is taken when it is named
        return [
            Listed(id=thing_id(path), path=path, name="this folder" if path == self.folder else path.name)
            for path in found
        ]

    def sheets(self) -> list[Listed]:
        """Return the folders of tuning sheets."""
        return [
            Listed(id=thing_id(path), path=path, name=path.name)
            for path in self.entries()
            if path.name.startswith(SHEETS) and (path / SHEET_FILE).is_file()
        ]

    def plan_folders(self) -> list[Path]:
        """Return the folders in which plans and programs lie: this one, those in it, a tray's, and touch-ups."""
        inner = [path for path in self.entries() if path.is_dir()]
        deeper = [
            place
            for folder in (self.folder, *inner)
            for pattern in ("program-*", "inspection*/touch-up", "*-corrected")
            for place in sorted(folder.glob(pattern))
            if place.is_dir() and place not in inner
        ]
        return [self.folder, *inner, *deeper]

    def plans(self) -> list[ListedPlan]:
        """Return the plans in the folder: one level of folders down, two for those of a tray, and touch-ups."""
        return [plan for path in self.plan_folders() if (plan := plan_in(path, self.folder)) is not None]

    def programs(self) -> list[ListedProgram]:
        """Return what can be sent: boards, touch-ups, sheets, probing."""
        return programs_in(self.plan_folders(), self.folder)

    # -- what is chosen ---------------------------------------------------------------------------------

    @property
    def bench(self) -> Path | None:
        """The file of the bench: the one chosen, else bench.toml, else the only one there is."""
        if self._bench is not None and self._bench.is_file():
            return self._bench
        paths = [thing.path for thing in self.benches()]
        named = self.folder / BENCH_FILE
        return named if named in paths else paths[0] if paths else None

    @property
    def source(self) -> Path | None:
        """The fabrication data: those chosen, else the first there are."""
        if self._source is not None and self._source.exists():
            return self._source
        found = self.sources()
        return found[0].path if found else None

    @property
    def sheet(self) -> Path:
        """The folder of the tuning sheet: the one chosen, else the newest, else where the first one goes."""
        if self._sheet is not None and (self._sheet / SHEET_FILE).is_file():
            return self._sheet
        paths = [each.path for each in self.sheets()]
        newest = max(paths, key=lambda path: stamp_of(path / SHEET_FILE), default=None)
        return newest or self.folder / SHEETS

    def use_sheet(self, path: Path) -> None:
        """Work on this tuning sheet from now on."""
        self._sheet = path
        self.changed()

    def choose_sheet(self, name: str) -> None:
        """Choose a tuning sheet by its id; raises `InputError` for an unknown one."""
        self.use_sheet(named_of(self.sheets(), name).path)

    def profile(self) -> Profile:
        """Return the bench's profile; raises `InputError` where there is none or it is wrong."""
        bench = self.bench
        if bench is None:
            raise one_error("there is no bench in this folder yet", "Make one under Bench.")
        return read_profile(bench)

    def bench_values(self) -> dict[str, Any]:
        """Return what the bench's file gives by path ("tip.gauge"), in the file's units; lists of tables are left out."""
        bench = self.bench
        if bench is None:
            return {}
        try:
            document = tomllib.loads(bench.read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return {}
        tables = [
            ("", document),
            *((name, table) for name, table in document.items() if isinstance(table, dict)),
        ]
        return {
            f"{name}.{key}" if name else key: value
            for name, table in tables
            for key, value in table.items()
            if isinstance(value, str | int | float | bool)
            or (isinstance(value, list) and not any(isinstance(each, dict) for each in value))
        }

    def choose_bench(self, name: str) -> None:
        """Choose a bench by its id; raises `InputError` for an unknown one."""
        self._bench = named_of(self.benches(), name).path
        self.changed()

    def choose_source(self, name: str) -> None:
        """Choose fabrication data by their id; raises `InputError` for unknown ones."""
        self.use_source(named_of(self.sources(), name).path)

    def use_source(self, path: Path) -> None:
        """Work on these fabrication data from now on."""
        if path != self._source:
            self.roles = {}
            self.units, self.columns, self.cut_short = "", "", False
        self._source = path
        self.changed()

    def use_bench(self, path: Path) -> None:
        """Work on this bench from now on."""
        self._bench = path
        self.changed()

    def plan_folder(self, side: Side, *, dry: bool = False) -> Path:
        """Return where the plan of a side goes: where one of this board lies already, else a folder of its own."""
        source = self.source
        name = (source.stem if source.is_file() else source.name) if source is not None else ""
        same = [
            plan.path
            for plan in self.plans()
            if (plan.head.board.name, plan.head.board.side, plan.head.dry) == (name, str(side), dry)
            and plan.head.kind is ProgramKind.BOARD
            and plan.path != self.folder
        ]
        return same[0] if same else self.folder / (f"paste-plan-{side}" + ("-dry" if dry else ""))

    def plan_named(self, name: str) -> ListedPlan:
        """Return a plan by its id; raises `InputError` for an unknown one."""
        return named_of(self.plans(), name)

    def program_named(self, name: str) -> ListedProgram:
        """Return a program by its id; raises `InputError` for an unknown one."""
        return named_of(self.programs(), name)

    def shown(self) -> dict[str, Any]:
        """Return the folder and the choices, ready for JSON."""
        bench, source = self.bench, self.source
        return {
            "folder": self.folder.name or str(self.folder),
            "side": str(self.side),
            "roles": {file: str(role) for file, role in self.roles.items()},
            "units": self.units,
            "columns": self.columns,
            "cut_short": self.cut_short,
            "placed": self.placed,
            "placement": (self.folder / PLACEMENT_FILE).is_file(),
            "bench": thing_id(bench) if bench else "",
            "source": thing_id(source) if source else "",
            "sheet": thing_id(self.sheet),
            "sheets": [
                {"id": each.id, "name": each.name, "read": (each.path / DOTS_FILE).is_file()}
                for each in self.sheets()
            ],
            "benches": [{"id": each.id, "name": each.name} for each in self.benches()],
            "sources": [{"id": each.id, "name": each.name} for each in self.sources()],
            "plans": [plan_row(plan) for plan in self.plans()],
            "programs": [
                {"id": each.id, "name": each.name, "kind": str(each.kind)} for each in self.programs()
            ],
        }


def desk_of(given: Path | None, *, bench: Path | None = None) -> WorkFolder:
    """Return the desk for what a person named: nothing (this folder), a folder, a plan, or fabrication data."""
    where = (given or Path()).resolve()
    if not where.exists():
        raise one_error(
            "there is no such file or folder", "Give a folder to work in, or a plan.json.", file=str(given)
        )
    chosen: Path | None = None
    side: str = ""
    if where.name == PLAN_FILE:
        where = where.parent
    if (where / PLAN_FILE).is_file():
        plan = plan_in(where, where.parent)
        side = plan.head.board.side if plan is not None else ""
        where = where.parent
    elif where.is_file():
        where, chosen = where.parent, where
    desk = WorkFolder(where)
    if bench is not None:
        if not bench.is_file():
            raise one_error("there is no such file", "Give the bench's .toml file.", file=str(bench))
        desk.use_bench(bench.resolve())
    if chosen is not None:
        desk.use_source(chosen)
    if side:
        desk.side = Side(side)
    return desk


def _is_bench(path: Path) -> bool:
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        # One that is broken and bears the name is still the bench: its screen says what is wrong.
        return path.name == BENCH_FILE and path.is_file()
    return {"machine", "plunger"} <= document.keys()


def _is_source(path: Path) -> bool:
    if path.is_file():
        return path.suffix.lower() == ".zip"
    if (path / PLAN_FILE).is_file():
        return False
    return any(_claimed(file) for file in _files(path))


def _files(folder: Path) -> Iterator[Path]:
    try:
        found = sorted(folder.iterdir())[:MOST_ENTRIES]
    except OSError:
        return
    yield from (path for path in found if path.is_file() and not path.name.startswith("."))


def _claimed(path: Path) -> bool:
    """Tell whether a file is of a set of films; single drawings are taken when they are named."""
    try:
        with path.open("rb") as file:
            reader = reader_of(file.read(HEAD_BYTES))
    except (OSError, InputError):
        return False
    return reader is not None and reader.of_a_set
