"""Charts drawn by hand: round numbers on the axes, and lines that are where the axes say."""

import re
import xml.etree.ElementTree as ET
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from pastewright.report.chart import round_ticks
from pastewright.report.plots import Scenario, pressure_svg, scenarios_svg

SVG = "{http://www.w3.org/2000/svg}"


@given(low=st.floats(-1e4, 1e4), span=st.floats(1e-3, 1e5), most=st.integers(4, 9))
def test_ticks_are_few_even_round_and_inside(low: float, span: float, most: int):
    ticks = round_ticks(low, low + span, most=most)
    assert 1 <= len(ticks) <= most
    assert low - 1e-6 * span <= ticks[0] <= ticks[-1] <= low + span * (1 + 1e-6)
    for before, after in pairwise(ticks):
        digits = f"{after - before:.6e}".split("e")[0].rstrip("0").rstrip(".")
        assert digits in {"1", "2", "2.5", "5"}


def test_a_pressure_lies_where_the_numbers_of_the_axis_say():
    trace = [(10.0, 0.0, 0.0), (12.0, 300.0, 0.1), (20.0, 100.0, 0.1)]
    root = ET.fromstring(pressure_svg(trace, yield_kpa=25.0, rest_kpa=10.0))
    labels = {
        text.text or "": (float(text.get("x", "nan")), float(text.get("y", "nan")))
        for text in root.iter(f"{SVG}text")
    }
    curve = next(root.iter(f"{SVG}polyline"))
    points = [tuple(map(float, pair.split(","))) for pair in (curve.get("points") or "").split()]
    # Two numbers of each axis tell its scale, without the code that drew it.
    (x12, _), (x18, _) = labels["12"], labels["18"]
    (_, y0), (_, y200) = labels["0"], labels["200"]
    assert len(points) == len(trace)
    for (x, y), (time, kpa, _) in zip(points, trace, strict=True):
        assert 12 + 6 * (x - x12) / (x18 - x12) == approx(time, abs=0.01)
        # Letters stand a third of their height below the tick.
        assert 200 * (y - y0 + 0.35 * 12) / (y200 - y0) == approx(kpa, abs=1.0)
    assert {"pressure", "yield: paste flows above", "rest"} <= set(labels)


def test_odd_names_are_escaped_and_every_case_has_a_bar_and_two_marks():
    cases = [
        Scenario(name="air & <b>", low=0.9, median=1.0, high=1.1, first=0.95),
        Scenario(name="cold", low=0.5, median=0.6, high=0.7, first=0.4),
    ]
    text = scenarios_svg(cases, tolerance=0.05)
    root = ET.fromstring(text)
    assert "air & <b>" in {each.text for each in root.iter(f"{SVG}text")}
    assert len(list(root.iter(f"{SVG}polyline"))) == 2
    assert len(re.findall(r"<circle", text)) == 3  # one of them explains
    assert len(re.findall("rotate\\(45\\)", text)) == 3
