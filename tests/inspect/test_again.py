"""Which rows are neither missing nor there by their colours, because a dome explains them far better."""

from types import SimpleNamespace

import pytest

from pastewright.inspect import again
from pastewright.inspect.bare import BareOrNot


@pytest.mark.parametrize(
    ("usual_ln", "told", "dome_yet"),
    [(-250.0, 0.9, True), (-100.0, 0.9, False), (-100.0, 0.3, True), (40.0, 0.9, False)],
)
def test_a_dome_far_likelier_than_the_bare_land_outweighs_colours(monkeypatch, usual_ln, told, dome_yet):
    """Burnt-out paste looks like nothing that the photo's other deposits show; where colours tell well, much is asked."""
    one = BareOrNot(
        usual_ln=usual_ln,
        any_ln=usual_ln,
        shift_mm=(0.0, 0.0),
        width=1.0,
        small_ln=0.0,
        other_ln=0.0,
        small_other_ln=0.0,
    )
    monkeypatch.setattr(again, "bare_rows", lambda *_: {0: one})
    found = again.looked_again(
        None,  # type: ignore[arg-type]
        SimpleNamespace(rows={0: SimpleNamespace(mean=0.1, shift_mm=(0.0, 0.0))}),  # type: ignore[arg-type]
        SimpleNamespace(rows=(SimpleNamespace(shared=False),)),  # type: ignore[arg-type]
        1.0,
        {0: told},
    )
    assert (0 in found.dome_yet) is dome_yet
