"""Write docs/plan.schema.json and docs/inspection.schema.json from the records."""

import json
from pathlib import Path
from typing import Any

from pastewright.records.inspection import inspection_schema
from pastewright.records.plan import plan_schema

DOCS = Path(__file__).resolve().parent.parent / "docs"


def write(schema: dict[str, Any], name: str) -> None:
    (DOCS / name).write_text(json.dumps(schema, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write(plan_schema(), "plan.schema.json")
    write(inspection_schema(), "inspection.schema.json")
