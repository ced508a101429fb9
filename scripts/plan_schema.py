"""Write docs/plan.schema.json from the record of a plan."""

import json
from pathlib import Path

from pastewright.records.plan import plan_schema

SCHEMA = Path(__file__).resolve().parent.parent / "docs" / "plan.schema.json"

if __name__ == "__main__":
    SCHEMA.write_text(json.dumps(plan_schema(), ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
