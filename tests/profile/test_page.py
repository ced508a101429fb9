"""The page about the profile file is made from the key table; this holds it to the table."""

import importlib.util
from pathlib import Path

from pastewright.profile.keys import KEYS

ROOT = Path(__file__).resolve().parents[2]


def script():
    spec = importlib.util.spec_from_file_location("profile_docs", ROOT / "scripts" / "profile_docs.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_is_current():
    page = (ROOT / "docs" / "profile.md").read_text("utf-8")
    assert script().page_text(page) == page, "run scripts/profile_docs.py"


def test_the_page_would_not_pass_with_a_changed_range():
    page = (ROOT / "docs" / "profile.md").read_text("utf-8")
    changed = page.replace("0.5 to 200 mm", "0.5 to 300 mm")
    assert changed != page
    assert script().page_text(changed) != changed


def test_every_key_is_on_the_page():
    page = (ROOT / "docs" / "profile.md").read_text("utf-8")
    for key in KEYS:
        assert f"| `{key.name}` | {key.accepts} |" in page, key.path
