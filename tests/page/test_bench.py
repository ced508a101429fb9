"""The bench screen: the form writes what the table of keys accepts, keeps comments, and tells what does not fit."""

import json
import tomllib

import pytest
from page_in_browser import serving, tab_of
from playwright.sync_api import expect

from pastewright.profile.examples import DEMO, example_text


@pytest.fixture(scope="module")
def benched(browser, tmp_path_factory):
    """A server of a folder in which a browser began with the demo's bench."""
    with serving(tmp_path_factory.mktemp("bench")) as one:
        with tab_of(browser, one) as tab:
            tab.goto(f"{one.base}/#bench")
            tab.get_by_label("Example").select_option(DEMO)
            tab.get_by_role("button", name="Begin with it").click()
            tab.get_by_text("The bench can be used.").wait_for()
        yield one


@pytest.fixture
def bench_tab(browser, benched):
    with tab_of(browser, benched) as one:
        one.goto(f"{benched.base}/#bench")
        one.get_by_text("The bench can be used.").wait_for()
        yield one


def test_a_bench_begins_as_the_example(benched):
    assert (benched.folder / "bench.toml").read_text("utf-8") == example_text(DEMO)


def test_a_change_is_shown_as_lines_and_written_with_all_comments(bench_tab, benched):
    path = benched.folder / "bench.toml"
    before = path.read_text("utf-8").splitlines()
    bench_tab.get_by_label("Find a key").fill("clearance")
    bench_tab.get_by_label("clearance [mm]").fill("4.5")
    expect(bench_tab.locator(".lines .plus", has_text="clearance_mm = 4.5")).to_have_count(1)
    assert path.read_text("utf-8").splitlines() == before
    bench_tab.get_by_role("button", name="Write them").click()
    expect(bench_tab.locator(".foot")).to_be_hidden()
    after = path.read_text("utf-8").splitlines()
    assert tomllib.loads("\n".join(after))["bed"]["clearance_mm"] == 4.5
    assert [line for line in before if line not in after and "clearance_mm" not in line] == []


def test_what_does_not_fit_is_told_and_not_written(bench_tab, benched):
    path = benched.folder / "bench.toml"
    before = path.read_bytes()
    bench_tab.get_by_label("Find a key").fill("tip.gauge")
    for typed, told in (("99", "must be 14 to 34"), ("twenty", "a number")):
        bench_tab.get_by_label("gauge", exact=True).fill(typed)
        expect(bench_tab.locator(".foot")).to_contain_text("That does not fit")
        expect(bench_tab.locator(".foot")).to_contain_text(told)
    assert path.read_bytes() == before


def test_a_mistyped_key_in_the_text_is_told_with_its_line_and_what_was_meant(bench_tab):
    bench_tab.get_by_text("The file as text").click()
    area = bench_tab.get_by_label("bench.toml as text")
    area.fill(area.input_value().replace("x_max_mm", "x_maks_mm"))
    bench_tab.get_by_role("button", name="Check").click()
    expect(bench_tab.locator(".problems").last).to_contain_text("Did you mean x_max_mm?")
    expect(bench_tab.locator(".problems").last).to_contain_text("bench.toml:")


def test_a_key_can_be_taken_out_again(benched):
    own = {"Origin": benched.base}

    def changed(value):
        body = json.dumps({"values": {"bed.strip_length_mm": value}, "write": True}).encode()
        return benched.ask("POST", "/bench/change", headers=own, body=body)[0]

    path = benched.folder / "bench.toml"
    assert changed(12) == 200
    assert tomllib.loads(path.read_text())["bed"]["strip_length_mm"] == 12
    assert changed(None) == 200
    assert "strip_length_mm" not in tomllib.loads(path.read_text())["bed"]


@pytest.mark.parametrize("values", [{}, {"no.key": 1}, {"bed.clearance_mm": [1]}, "x", None])
def test_a_form_that_is_none_is_refused(benched, values):
    body = json.dumps({"values": values, "write": True}).encode()
    assert benched.ask("POST", "/bench/change", headers={"Origin": benched.base}, body=body)[0] == 422
