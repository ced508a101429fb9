"""Text of a job file to a `Job`, or to every problem in it at once; checked as the profile is, by a key table."""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from pastewright.board.model import Side
from pastewright.job.limits import InspectionLimits
from pastewright.job.model import FormWish, Job, LaidAs, Patterns
from pastewright.problems import InputError, Problem
from pastewright.profile.build import dose_rule
from pastewright.profile.keys import Section, section_named, sections_of
from pastewright.profile.model import DoseRule
from pastewright.profile.read import opened, toml_text
from pastewright.profile.rule_checks import rule_problems
from pastewright.profile.values import Table, Values, WrongValueError
from pastewright.records.placement import Zone

FILE_NAME = "job.toml"
Check = Callable[[Table, Values], Iterator[Problem]]


def _sections() -> tuple[Section, ...]:
    rules = section_named("dose.rule")
    about = "Doses by part, pin, kind or area; these go before the rules of the profile. " + rules.about
    own = Section(
        name="rule",
        about=about,
        repeated=True,
        keys=tuple(replace(key, section="rule") for key in rules.keys),
    )
    top, order, inspection, *repeated = sections_of("pastewright.job")
    return (top, order, inspection, own, *repeated)


SECTIONS = _sections()


def job_beside(source: Path) -> Path | None:
    """Return the job.toml in a folder of fabrication data, or beside a single file; None when there is none."""
    path = job_place(source)
    return path if path.is_file() else None


def job_place(source: Path) -> Path:
    """Return where the job of fabrication data lies, or would: in their folder, or beside their file."""
    return (source if source.is_dir() else source.parent) / FILE_NAME


def read_job(path: Path) -> Job:
    """Return the job of a TOML file; InputError gathers all that is wrong with it."""
    new = "Write one with: pastewright job new SOURCE"
    return parse_job(toml_text(path, "job", "Give the board's job.toml.", new), str(path))


def parse_job(text: str, file: str) -> Job:
    """Return the job in `text`; `file` is the name that messages carry."""
    document, reader = opened(text, file, SECTIONS)
    tables = reader.tables(document)
    rules, pads, forms, zones = (reader.rows(document, name) for name in ("rule", "pad", "lay", "zone"))
    values = Values(file=file, tables=tables, rules=rules)
    problems = [
        *reader.problems,
        *rule_problems(values),
        *_each(pads, values, _pad_problems),
        *_each(forms, values, _form_problems),
        *_each(zones, values, _zone_problems),
        *_doubled(pads, values),
    ]
    if problems:
        raise InputError(sorted(problems, key=lambda problem: (problem.line is None, problem.line or 0)))
    top, order = tables[""], tables["order"]
    side = top.maybe_text("side")
    return Job(
        file=file,
        sha256=hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest(),
        side=Side(side) if side else None,
        not_fitted=_patterns(top.text("not_fitted")),
        rules=tuple(replace(dose_rule(rule, section="dose.rule"), file=Path(file).name) for rule in rules),
        pads=tuple(_pad(pad, file) for pad in pads),
        forms=tuple(_form(form) for form in forms),
        zones=tuple(_zone(zone) for zone in zones),
        first=_patterns(order.text("first")),
        last=_patterns(order.text("last")),
        note=top.text("note"),
        inspection=InspectionLimits(
            least_volume=tables["inspection"].number("least_volume_percent") / 100,
            most_volume=tables["inspection"].number("most_volume_percent") / 100,
            least_on_pad=tables["inspection"].number("least_on_pad_percent") / 100,
            most_offset=tables["inspection"].number("most_offset_percent") / 100,
            most_offset_mm=tables["inspection"].number("most_offset_mm"),
            least_gap_mm=tables["inspection"].number("least_gap_mm"),
        ),
    )


def _patterns(text: str) -> Patterns:
    return tuple(part.strip() for part in text.split(",") if part.strip())


def _pad(table: Table, file: str) -> DoseRule:
    scale = table.maybe_number("scale_percent")
    return DoseRule(
        pad_id=table.text("id"),
        volume_ul=table.maybe_number("volume_ul"),
        scale=None if scale is None else scale / 100,
        skip=bool(table.values["skip"]),
        note=table.text("note"),
        line=table.lines[""] or 0,
        file=Path(file).name,
    )


def _form(table: Table) -> FormWish:
    return FormWish(
        laid_as=LaidAs(table.text("as")),
        ref=table.text("ref"),
        pin=table.text("pin"),
        pad_id=table.text("id"),
        line=table.lines[""] or 0,
    )


def _zone(table: Table) -> Zone:
    return Zone(
        name=table.text("name"),
        x_from_mm=table.number("x_from_mm"),
        x_to_mm=table.number("x_to_mm"),
        y_from_mm=table.number("y_from_mm"),
        y_to_mm=table.number("y_to_mm"),
        height_mm=table.maybe_number("height_mm"),
        margin_mm=table.number("margin_mm"),
    )


def _each(tables: Sequence[Table], values: Values, check: Check) -> Iterator[Problem]:
    for table in tables:
        try:
            yield from check(table, values)
        except WrongValueError:
            continue


def _pad_problems(pad: Table, values: Values) -> Iterator[Problem]:
    acting = [name for name in ("volume_ul", "scale_percent") if pad.maybe_number(name) is not None]
    acting += ["skip"] if pad.values.get("skip") else []
    if len(acting) != 1 and "skip" in pad.values:
        yield values.problem(
            pad,
            "",
            f"the pad {pad.text('id')} has {' and '.join(acting) if acting else 'nothing to do'}; it needs exactly one",
            "Give one of volume_ul, scale_percent or skip = true.",
        )


def _form_problems(form: Table, values: Values) -> Iterator[Problem]:
    if bool(form.text("ref")) == bool(form.text("id")) or (form.text("pin") and not form.text("ref")):
        yield values.problem(
            form,
            "",
            "a [[lay]] speaks of a part, of pins of a part, or of one pad",
            "Give ref, or ref and pin, or id.",
        )


def _zone_problems(zone: Table, values: Values) -> Iterator[Problem]:
    for axis in "xy":
        low, high = zone.number(f"{axis}_from_mm"), zone.number(f"{axis}_to_mm")
        if low >= high:
            yield values.problem(
                zone,
                f"{axis}_from_mm",
                f"the zone {zone.text('name')} has no width: {axis}_from_mm {low:g} is not below {axis}_to_mm {high:g}",
                "Exchange them.",
            )


def _doubled(pads: Sequence[Table], values: Values) -> Iterator[Problem]:
    seen: dict[object, int | None] = {}
    for pad in pads:
        name = pad.values.get("id")
        if name in seen:
            yield values.problem(
                pad, "id", f"the pad {name} is given twice, before in line {seen[name]}", "Keep one of them."
            )
        seen.setdefault(name, pad.lines[""])
