"""What a run of a test says of itself in the journal: no paste, no tip, a barrel of a millilitre."""

from pastewright.link.journal_rows import Setting

SETTING = Setting(
    port="",
    profile="tests",
    profile_sha256="",
    tuning="{}",
    tip="",
    paste="",
    lot="",
    opened_at=None,
    fill_ul=1000.0,
    strip_ul=1.0,
    note="",
)
