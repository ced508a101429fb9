"""Whether program, plan and profile belong together, told first: a verdict on strangers misleads."""

import hashlib
from collections.abc import Iterator
from re import MULTILINE, search

from pastewright.profile.model import Profile
from pastewright.records.plan import PlanRecord

HEAD_LETTERS = 4000
"""The header stands in the first lines of a program; nothing further down is read as one."""


def strangers(text: str, plan: PlanRecord, profile: Profile, *, files_sha256: str = "") -> tuple[str, ...]:
    """Return what does not belong to the rest; nothing where all of it was made together.

    `files_sha256` is of the fabrication files as they are now, empty where nobody asks about them. The program is
    known by the hash that its plan keeps of it, and where that differs, by the hashes in its header.
    """
    found = list(_strangers(text, plan, profile))
    if files_sha256 and files_sha256 != plan.board.inputs_sha256:
        found.append(
            f"these fabrication files ({files_sha256[:12]}…) are not those that the board was planned from"
            f" ({plan.board.inputs_sha256[:12]}…), or one of them was changed since"
        )
    return tuple(found)


def _strangers(text: str, plan: PlanRecord, profile: Profile) -> Iterator[str]:
    if plan.program_sha256 and _sha256(text) != plan.program_sha256:
        yield "this is not the program that was written with this plan: it was changed since, or belongs to another plan"
        known = {
            "files": ("the fabrication files", plan.board.inputs_sha256),
            "profile": ("the profile", plan.profile.sha256),
            "job": ("the job file", plan.job_sha256),
        }
        for word, (name, own) in known.items():
            told = _told(text, word)
            if told is not None and told != own:
                yield f"{name} that the program was made from ({told[:12]}…) differ from the plan's ({own[:12] or 'none'}…)"
    if profile.sha256 and profile.sha256 != plan.profile.sha256:
        yield (
            f"this profile ({profile.name}, {profile.sha256[:12]}…) is not the one that the program was planned with"
            f" ({plan.profile.name}, {plan.profile.sha256[:12]}…), or it was changed since"
        )


def _told(text: str, word: str) -> str | None:
    found = search(rf"^[;(]?\s*{word} sha256: ([0-9a-f]{{64}})", text[:HEAD_LETTERS], MULTILINE)
    return found.group(1) if found else None


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
