"""Options to values at the door: sides, layer overrides, boards and profiles."""

from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

from pastewright.board.ask import Ask
from pastewright.board.model import Board, LayerRole, Side
from pastewright.board.read import read_board
from pastewright.dose.exposed import shrunk_openings
from pastewright.job.model import NO_JOB, Job
from pastewright.job.read import job_beside, read_job
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.model import Profile
from pastewright.profile.read import read_profile
from pastewright.work.options import Asking, ReadOptions

MOST_BYTES = 200_000_000  # far above the program of any board; no file of that size is read by mistake
AS_FILES_SAY = ReadOptions()

# A bare word that people type, where the role's own name needs a space or a slash.
_SHORT = {"drill": LayerRole.DRILL, "rout": LayerRole.DRILL, "ignore": LayerRole.OTHER}


def layer_overrides(words: Sequence[str]) -> dict[str, LayerRole]:
    """Return roles by file name from words of the form FILE=ROLE; raises `InputError` naming each wrong one."""
    roles: dict[str, LayerRole] = {}
    problems: list[Problem] = []
    for word in words:
        file, mark, role_name = word.rpartition("=")
        role = _role(role_name.strip().lower().replace("-", " ").replace("_", " "))
        if mark and file and role is not None:
            roles[file] = role
            continue
        near = get_close_matches(role_name, [str(known) for known in LayerRole], n=1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        problems.append(
            Problem(
                what=f"--layer {word!r} is not FILE=ROLE",
                mend=f"Roles are: {', '.join(LayerRole)}.{hint}",
            )
        )
    if problems:
        raise InputError(problems)
    return roles


def _role(name: str) -> LayerRole | None:
    if name in _SHORT:
        return _SHORT[name]
    return next((role for role in LayerRole if role.value == name), None)


def load_profile(path: Path) -> Profile:
    """Return the profile in a file."""
    return read_profile(path)


def load_board(
    source: Path, *, side: str, files: ReadOptions = AS_FILES_SAY, shrink_mm: float = 0.0
) -> Board:
    """Return one side of the board in a folder, zip or file; `files` helps where the files are silent."""
    if not source.exists():
        raise one_error(
            "there is no such file or folder",
            "Give the folder or zip that your design program wrote for the board maker.",
            file=str(source),
        )
    return shrunk_openings(read_board(source, ask_of(side, files)), shrink_mm)


def ask_of(side: str, files: ReadOptions = AS_FILES_SAY) -> Ask:
    """Return what a command's options say of the files, as readers take it; raises `InputError` for unknown words."""
    return Ask(
        side=Side(side),
        roles=layer_overrides(files.layer or []),
        units=files.units,
        columns=files.columns,
        cut_short=files.cut_short,
    )


def load_asked(source: Path, asked: Asking, profile: Profile) -> tuple[Board, Job]:
    """Return the board and its job: the side asked for, else the job's, else the top."""
    job = load_job(source, asked.job)
    board = load_board(source, side=side_asked(asked, job), files=asked, shrink_mm=profile.dose.shrink_mm)
    return board, job


def side_asked(asked: Asking, job: Job) -> str:
    """Return the side asked for, else the job's, else the top."""
    return asked.side.value if asked.side is not None else str(job.side or Side.TOP)


def load_job(source: Path, given: Path | None) -> Job:
    """Return the job given, or the job.toml beside the design, or one that asks for nothing."""
    path = given or (job_beside(source) if source.exists() else None)
    return NO_JOB if path is None else read_job(path)


def read_text(path: Path, *, what: str) -> str:
    """Return the text of a file that should be `what`; raises `InputError` for what cannot be one."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise one_error(
                f"{path.stat().st_size / 1e6:.0f} MB is too large for {what}",
                "Check the file.",
                file=str(path),
            )
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise one_error(
            f"{what} cannot be read: {error.strerror or error}", "Check the name.", file=str(path)
        ) from None
