"""Files to roles: which of them is the top paste, which the outline, and how that is known.

What a file says of itself (X2 `.FileFunction`, then its comments on its layer) ranks first, then the custom of its
name, then another name inside the file; what the person says on the command line beats all of them. Content decides
what can be what: a file that is no Gerber file cannot become a layer unseen.
"""

import difflib
import json
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

from pastewright.board.model import LayerRole
from pastewright.board.roles.boards import of_other_boards
from pastewright.board.roles.role_words import (
    LAYER_EXTENSIONS,
    SPREADSHEETS,
    role_of_function,
    role_of_name,
    role_of_words,
    spaced,
)
from pastewright.board.source.column_names import Field, fields_of
from pastewright.board.source.files import SourceFile
from pastewright.board.source.sniff import HEAD_BYTES, FileKind, kind_of, text_of
from pastewright.board.source.text_table import number_in, read_table_text
from pastewright.problems import InputError, Problem, Severity


class Rank(IntEnum):
    """How well a role is known; the higher wins."""

    UNKNOWN = 0
    CONTENT = 1
    INNER_NAME = 2
    FILE_NAME = 3
    OWN_COMMENT = 4
    JOB_FILE = 5
    ATTRIBUTE = 6
    COMMAND_LINE = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Recognised:
    """One file and what it was taken for; `how` tells how that is known, `note` what else to tell."""

    file: SourceFile
    role: LayerRole
    kind: FileKind
    how: str
    rank: Rank
    note: str = ""
    problems: tuple[Problem, ...] = ()


LAYERS = frozenset(LayerRole) - {LayerRole.DRILL, LayerRole.NETLIST, LayerRole.CENTROID, LayerRole.OTHER}
"""The roles that only a Gerber file can have."""
_SINGLE = LAYERS - {LayerRole.INNER_COPPER}
_MEND_ROLE = "Name the right file for each layer on the command line, or leave the other file out."

_FUNCTION = re.compile(
    r"(?:%\s*|G0?4\s*#@!\s*|^\s*;\s*#@!\s*)TF\.FileFunction,([^*%\r\n]*(?:\r?\n[^*%;\r\n]*(?=\*))?)", re.M
)
_INNER_NAME = re.compile(
    r"%(?:IN|LN)([^*%]+)\*|G0?4\s+(?:Layer(?:_?Name)?|Title)\s*[:=]\s*([^*\r\n]+)\*", re.I
)
_OWN_COMMENT = re.compile(
    r"G0?4\s+(?:[^*\r\n]{0,40}?\b)?(?:Layer(?:[_ ]?(?:Name|Type|Function))?|File ?Function)\s*[:=]\s*([^*\r\n]+)\*",
    re.I,
)
"""What a program says of the layer it writes, in a comment of its own making: "G04 Layer: TopPaste*"."""


def recognise(
    files: Sequence[SourceFile], overrides: Mapping[str, LayerRole] | None = None, *, name: str = ""
) -> tuple[Recognised, ...]:
    """Return what each file is, in the order given; `overrides` maps file names to roles, `name` is the board's.

    Disagreements (name against attribute, two files for one role, a layer's name on a file that is no
    Gerber) are warnings in `problems` of the file concerned. Two files of one role that are equally well
    known both keep it. Of several boards the one meant is read, by what the person says or by its name. Raises
    `InputError` when an override names no file, or more than one, and when boards cannot be told apart.
    """
    given = _given_roles(files, overrides or {})
    by_job = _job_file_functions(files)
    found = [_recognised(file, given.get(file.name), by_job.get(file.base_name.lower())) for file in files]
    natural = [each.role for each in (_recognised(file, None, None) for file in files)]
    other = of_other_boards([file.name for file in files], natural, given, name)
    for i, each in enumerate(found):
        if each.file.name in other and each.rank < Rank.COMMAND_LINE:
            note = f"ignored: of another board, {other[each.file.name]}"
            found[i] = replace(each, role=LayerRole.OTHER, note=note, problems=())
    return _settled(found)


def _given_roles(files: Sequence[SourceFile], overrides: Mapping[str, LayerRole]) -> dict[str, LayerRole]:
    """Return the overrides by full file name."""
    roles: dict[str, LayerRole] = {}
    problems: list[Problem] = []
    for wanted, role in overrides.items():
        matches = [f.name for f in files if f.name == wanted] or [
            f.name for f in files if f.base_name == wanted
        ]
        if len(matches) == 1:
            roles[matches[0]] = role
            continue
        if matches:
            what, mend = (
                f"{len(matches)} files are named {wanted!r}",
                "Give it with its folder: " + ", ".join(matches),
            )
        else:
            near = difflib.get_close_matches(wanted, [f.name for f in files], n=3, cutoff=0.4)
            what = f"there is no file {wanted!r} to take as {role.value}"
            mend = "Did you mean " + " or ".join(repr(n) for n in near) + "?" if near else "Check its name."
        problems.append(Problem(what=what, mend=mend))
    if problems:
        raise InputError(problems)
    return roles


def _job_file_functions(files: Sequence[SourceFile]) -> dict[str, LayerRole]:
    """Return roles by lower-case base name from a Gerber job file (.gbrjob, JSON), as far as one tells."""
    roles: dict[str, LayerRole] = {}
    for file in files:
        if not file.name.lower().endswith(".gbrjob"):
            continue
        try:
            entries = json.loads(text_of(file.data))["FilesAttributes"]
            pairs = [(str(entry["Path"]), str(entry["FileFunction"])) for entry in entries]
        except (ValueError, KeyError, TypeError, RecursionError):
            continue  # many job files carry no list of files; they are not needed
        for path, function in pairs:
            base = path.replace("\\", "/").rsplit("/", 1)[-1].lower()
            roles[base] = role_of_function(tuple(function.split(",")))
    return roles


def file_function(head: str) -> tuple[str, ...]:
    """Return the X2 `.FileFunction` values in the head of a Gerber or drill file, () when there are none."""
    match = _FUNCTION.search(head)
    return tuple(value.strip() for value in match[1].split(",")) if match else ()


def _recognised(file: SourceFile, given: LayerRole | None, by_job: LayerRole | None) -> Recognised:
    if file.ignored:
        return Recognised(
            file=file,
            role=LayerRole.OTHER,
            kind=FileKind.OTHER,
            how="not read",
            rank=Rank.UNKNOWN,
            note=f"ignored: {file.ignored}",
        )
    kind = kind_of(file.data)
    head = text_of(file.data[:HEAD_BYTES])
    function = file_function(head) if kind in (FileKind.GERBER, FileKind.EXCELLON) else ()
    named, told = role_of_name(file.base_name, gerber=kind is FileKind.GERBER)

    def result(role: LayerRole, how: str, rank: Rank, note: str = "", *warnings: Problem) -> Recognised:
        return Recognised(
            file=file, role=role, kind=kind, how=how, rank=rank, note=note, problems=tuple(warnings)
        )

    if given is not None:
        return result(given, "given on the command line", Rank.COMMAND_LINE)
    if function:
        role = role_of_function(function)
        warnings = []
        if named is not None and named in LAYERS and role in LAYERS and named is not role:
            warnings.append(
                _warning(
                    file,
                    f"says {role.value} (.FileFunction) but is named like {named.value} ({told});"
                    f" it is taken as {role.value}",
                )
            )
        note = "" if role is not LayerRole.OTHER else f"ignored: file function {','.join(function)}"
        return result(role, "X2 .FileFunction", Rank.ATTRIBUTE, note, *warnings)
    if by_job is not None and kind in (FileKind.GERBER, FileKind.EXCELLON):
        return result(by_job, "Gerber job file", Rank.JOB_FILE)
    if kind is FileKind.GERBER:
        return _gerber_by_name(file, named, told, head)
    if kind in _ROLE_OF_KIND:
        role = _ROLE_OF_KIND[kind]
        if named is role:
            return result(role, f"file name: {told}", Rank.FILE_NAME)
        warnings = []
        if named in LAYERS:
            warnings.append(
                _warning(
                    file,
                    f"is named like {named.value} ({told}) but holds {kind.value}; taken as {role.value}",
                )
            )
        return result(role, f"content: {kind.value}", Rank.CONTENT, "", *warnings)
    return _other_by_name(file, named, told)


_ROLE_OF_KIND = {
    FileKind.EXCELLON: LayerRole.DRILL,
    FileKind.IPC_D_356: LayerRole.NETLIST,
    FileKind.CENTROID: LayerRole.CENTROID,
}


def _warning(file: SourceFile, what: str, mend: str = _MEND_ROLE) -> Problem:
    return Problem(what=what, mend=mend, severity=Severity.WARNING, file=file.name)


def _gerber_by_name(file: SourceFile, named: LayerRole | None, told: str, head: str) -> Recognised:
    """Return the role of a Gerber file without a file function, by its name or by a name within it."""

    def result(role: LayerRole, how: str, rank: Rank, note: str = "", *warnings: Problem) -> Recognised:
        return Recognised(
            file=file,
            role=role,
            kind=FileKind.GERBER,
            how=how,
            rank=rank,
            note=note,
            problems=tuple(warnings),
        )

    for match in _OWN_COMMENT.finditer(head):
        words = match[1].strip()
        role, _words = role_of_words(spaced(words), gerber=True)
        if role is not None and role in LAYERS:
            warnings: tuple[Problem, ...] = ()
            if named is not None and named in LAYERS and named is not role:
                what = f"says {role.value} in its comments but is named like {named.value} ({told}); taken as {role.value}"
                warnings = (_warning(file, what),)
            return result(role, f"its comment: {words[:60]}", Rank.OWN_COMMENT, "", *warnings)
    if named is not None and named in LAYERS:
        return result(named, f"file name: {told}", Rank.FILE_NAME)
    if named is LayerRole.DRILL:
        note = "ignored: named like drill data, but it is a Gerber file without a drill's file function"
        return result(LayerRole.OTHER, f"file name: {told}", Rank.FILE_NAME, note)
    if named is not None:
        return result(LayerRole.OTHER, "file name", Rank.FILE_NAME, f"ignored: {told}")
    for match in _INNER_NAME.finditer(head):
        text = (match[1] or match[2]).strip()
        role, _words = role_of_words(spaced(text), gerber=True)
        if role is not None and role in LAYERS:
            return result(role, f"name inside the file: {text[:60]}", Rank.INNER_NAME)
    why = (
        f"the name says {told} but not which side"
        if told
        else "neither its name nor its content tells which layer"
    )
    return result(
        LayerRole.OTHER,
        "content: Gerber",
        Rank.CONTENT,
        f"ignored: {why}",
        _warning(
            file,
            f"is a Gerber file, but {why}; it is ignored",
            "If it matters, name its layer on the command line.",
        ),
    )


def _other_by_name(file: SourceFile, named: LayerRole | None, told: str) -> Recognised:
    """Return the role of a file whose content is not understood: what its name claims, with a warning."""
    extension = file.base_name.rpartition(".")[2].lower()
    role, note = LayerRole.OTHER, "ignored: no fabrication data"
    warnings: tuple[Problem, ...] = ()
    by_extension = told.startswith("*.")
    if named is LayerRole.CENTROID and (extension in SPREADSHEETS or _has_places(file)):
        role, note = named, ""
    elif named is LayerRole.CENTROID:
        note = f"ignored: named like a table of parts ({told}), but holds no such table"
    elif (
        named is not None and named is not LayerRole.OTHER and (by_extension or extension in LAYER_EXTENSIONS)
    ):
        # Kept in its role, so that its reader says what is wrong; ignoring a damaged paste layer would
        # quietly change what gets pasted.
        expected = {LayerRole.DRILL: "drill data", LayerRole.NETLIST: "an IPC-D-356 netlist"}.get(
            named, "a Gerber file"
        )
        state = "is empty" if not file.data.strip() else f"does not read like {expected}"
        role, note = named, ""
        warnings = (
            _warning(
                file, f"is named like {named.value} ({told}) but {state}", "Export it again, or leave it out."
            ),
        )
    elif named is LayerRole.OTHER:
        note = f"ignored: {told}"
    how = f"file name: {told}" if role is not LayerRole.OTHER else "content: nothing known"
    rank = Rank.FILE_NAME if role is not LayerRole.OTHER else Rank.UNKNOWN
    return Recognised(
        file=file, role=role, kind=FileKind.OTHER, how=how, rank=rank, note=note, problems=warnings
    )


def _has_places(file: SourceFile) -> bool:
    """Tell whether a file is a table with a header of a reference, x and y: a text about parts is none."""

    def is_header(cells: Sequence[str]) -> bool:
        return {Field.REF, Field.X, Field.Y} <= fields_of(cells).keys()

    try:
        table = read_table_text(file.data[:HEAD_BYTES], file.name, is_header=is_header)
    except InputError:
        return False
    numbers = [
        sum(number_in(cell, decimal_comma=table.decimal_comma) is not None for cell in row.cells)
        for row in table.rows[:20]
    ]
    return bool(table.header) and max(numbers, default=0) > 1


def _settled(found: list[Recognised]) -> tuple[Recognised, ...]:
    """Return the files with claims to one role settled: the better known wins, equals keep it with a warning."""
    excellon = any(each.role is LayerRole.DRILL and each.kind is FileKind.EXCELLON for each in found)
    for i, each in enumerate(found):
        if (
            excellon
            and each.role is LayerRole.DRILL
            and each.kind is FileKind.GERBER
            and each.rank < Rank.COMMAND_LINE
        ):
            # Some programs write every hole twice; read twice it would be two holes.
            note = "ignored: drill data as Gerber; the drill files hold the same"
            found[i] = replace(each, role=LayerRole.OTHER, note=note)
    holes: dict[bytes, str] = {}
    for i, each in enumerate(found):
        if each.role is LayerRole.DRILL:
            # Two copies of one export in a zip: read twice, every hole would be two.
            first_name = holes.setdefault(each.file.data, each.file.name)
            if first_name != each.file.name:
                found[i] = replace(each, role=LayerRole.OTHER, note=f"ignored: same as {first_name}")
    claims: dict[LayerRole, list[int]] = defaultdict(list)
    for i, each in enumerate(found):
        if each.role in _SINGLE:
            claims[each.role].append(i)
    for role, indices in claims.items():
        best = max(found[i].rank for i in indices)
        winners = [i for i in indices if found[i].rank == best]
        first = found[winners[0]]
        for i in indices:
            each = found[i]
            if each.rank < best:
                warnings = each.problems
                if best < Rank.COMMAND_LINE:
                    what = (
                        f"claims to be {role.value} ({each.how}), but so does {first.file.name} ({first.how})"
                    )
                    warnings += (_warning(each.file, what + "; it is ignored"),)
                note = f"ignored: {first.file.name} is {role.value} ({first.how})"
                found[i] = replace(each, role=LayerRole.OTHER, note=note, problems=warnings)
            elif each is not first and each.file.data == first.file.data:
                found[i] = replace(each, role=LayerRole.OTHER, note=f"ignored: same as {first.file.name}")
            elif each is not first:
                what = f"and {first.file.name} both claim to be {role.value} ({each.how}); both are kept"
                found[i] = replace(each, problems=(*each.problems, _warning(each.file, what)))
    return tuple(found)
