"""Found places asked from a controller: both pretend controllers, moved by their own words."""

import pytest

from pastewright.cli.whereabouts import Whereabouts, found_by_asking
from pastewright.problems import InputError


@pytest.mark.parametrize(("port", "wake"), [("sim:reprap", []), ("sim:cnc", ["$X"])])
def test_the_place_is_where_the_controller_stands(port, wake):
    with Whereabouts(port, baud=115_200) as where:
        where.send([*wake, "G21", "G90", "G1 X12.5 Y-3.25 F6000"])
        assert where.place_mm() == pytest.approx((12.5, -3.25), abs=0.01)
        where.send(["G1 X13 Y4 F6000"])
        assert where.place_mm() == pytest.approx((13, 4), abs=0.01)


def test_each_point_is_asked_for_by_name():
    with Whereabouts("sim:reprap", baud=115_200) as where:
        asked = []
        spots = iter([(10.0, 20.0), (50.0, 21.0)])

        def ask(words):
            asked.append(words)
            x, y = next(spots)
            where.send(["G90", f"G1 X{x} Y{y} F6000"])
            return ""

        points = found_by_asking(["F1", "F2"], where, ask, lambda words: None)
    assert [(point.name, point.found_mm) for point in points] == [
        ("F1", pytest.approx((10, 20), abs=0.01)),
        ("F2", pytest.approx((50, 21), abs=0.01)),
    ]
    assert "F1" in asked[0] and "F2" in asked[1]


def test_answers_that_end_are_refused():
    def ask(words):
        raise EOFError

    with Whereabouts("sim:reprap", baud=115_200) as where, pytest.raises(InputError, match="over F1"):
        found_by_asking(["F1"], where, ask, print)


def test_a_port_that_is_none_is_refused():
    with pytest.raises(InputError):
        Whereabouts("/dev/there-is-none", baud=115_200)
