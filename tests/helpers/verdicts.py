"""What a verdict says of each deposit, where every one of them must be there."""

from pastewright.readback.model import Delivered, Verdict


def all_delivered(verdict: Verdict) -> list[Delivered]:
    """Return what each expected deposit got, in order; a deposit that got nothing fails the test."""
    got = [one for one in verdict.delivered if one is not None]
    assert len(got) == len(verdict.delivered), "a deposit is missing"
    return got
