"""Plots as SVG text."""

import xml.etree.ElementTree as ET

import pytest

from pastewright.plot_svg import panels, svg_text


def drawn(*, inline: bool) -> str:
    figure, (upper, lower) = panels(2, width_in=4.0, height_in=3.0)
    upper.plot([0, 1], [0, 2])
    lower.set_xlabel("time & paste [s]")
    return svg_text(figure, inline=inline)


@pytest.mark.parametrize("inline", [True, False])
def test_a_plot_names_no_library_no_address_and_no_day(inline: bool):
    text = drawn(inline=inline)
    root = ET.fromstring(text)
    assert "metadata" not in {element.tag.rpartition("}")[2] for element in root.iter()}
    assert "matplotlib" not in text
    addresses = {word for word in text.replace('"', " ").split() if word.startswith("http")}
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}  # namespaces
    assert "time & paste [s]" in "".join(root.itertext())
    assert drawn(inline=inline) == text


def test_only_a_picture_in_a_page_leaves_its_size_to_the_page():
    alone, inside = ET.fromstring(drawn(inline=False)), ET.fromstring(drawn(inline=True))
    assert alone.get("width") == "288pt"  # 4 in
    assert inside.get("width") is None
    assert inside.get("height") is None
    assert alone.get("viewBox") == inside.get("viewBox") == "0 0 288 216"
