"""Records of boards for other programs: one row a board and attempt, as CSV or JSON; times in UTC, ISO 8601."""

import csv
import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.markup import escape

from pastewright.link.batch import batch, records
from pastewright.link.journal import Journal
from pastewright.problems import one_error
from pastewright.work.printing.console import out as console
from pastewright.writing import write_text

DIGITS = 4
"""Of volumes [µL]: a tenth of a nanolitre is below any microstep."""


def records_text(journal: Journal, ending: str, key: int | None) -> str:
    """Return a record per board of a batch (or of all) as text, ".csv" or ".json"."""
    if key is not None:
        batch(journal, key)
    rows = [_told(row) for row in records(journal, key)]
    if ending == ".json":
        return json.dumps(rows, indent=1, ensure_ascii=False) + "\n"
    made = io.StringIO()
    names = list(rows[0]) if rows else ["batch"]
    writer = csv.DictWriter(made, names, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow(
            {
                name: "; ".join(map(str, value)) if isinstance(value, list) else value
                for name, value in row.items()
            }
        )
    return made.getvalue()


def export_records(journal: Journal, path: Path, key: int | None) -> None:
    """Write a record per board; raises `InputError` for an ending that is neither .csv nor .json."""
    if path.suffix not in (".csv", ".json"):
        raise one_error(f"--export {path.name}: its ending says no format", "Let it end in .csv or .json.")
    write_text(path, records_text(journal, path.suffix, key), what="the records")
    console.print(f"{len(records(journal, key))} records  {escape(str(path))}")


def _told(row: dict[str, Any]) -> dict[str, Any]:
    times = {
        name: datetime.fromtimestamp(row[name], UTC).isoformat(timespec="seconds") if row[name] else ""
        for name in ("began_at", "ended_at")
    }
    age_s = row["paste_age_s"]
    return {
        **row,
        **times,
        "used_ul": round(row["used_ul"], DIGITS),
        "paste_age_s": None if age_s is None else round(age_s),
    }
