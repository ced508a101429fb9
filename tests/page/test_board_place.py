"""Where a board lies, found from the Machine screen: fiducials by a camera's cross-hair, heights by a probe's contact.

The camera is pretended: its picture shows what would lie before it, on a board that lies shifted and turned.
"""

from math import cos, radians, sin
from shutil import copy

import cv2
import numpy as np
import pytest
from page_files import demo_zip
from page_in_browser import connected, serving, tab_of, until

import pastewright.page.machine as machine_routes
from pastewright.board.ask import Ask
from pastewright.board.model import Side
from pastewright.board.read import read_board
from pastewright.place.transform import Affine
from pastewright.place.tray.document import read_placement
from pastewright.profile.edit import with_values
from pastewright.profile.examples import DEMO, example_text

OFFSET_MM = (31.5, -4.25)  # camera less tip
TURN_DEG, SHIFT_MM = 1.2, (60.7, 59.6)  # the bench says 0 and (60, 60)
PX_PER_MM, WIDE, HIGH = 60.0, 640, 480
FINEST_MM = 0.005  # half a pixel is less, and no step at all is refused
GROUND = (20.06, 0.002, -0.001)  # Z at X 0, Y 0, and slopes; the bench says 20


def true_place() -> Affine:
    turn = radians(TURN_DEG)
    return Affine(xx=cos(turn), xy=-sin(turn), yx=sin(turn), yy=cos(turn), x_mm=SHIFT_MM[0], y_mm=SHIFT_MM[1])


@pytest.fixture
def day(tmp_path):
    """A folder with the demo board and a bench whose camera stands beside the tip."""
    bench = with_values(
        example_text(DEMO), {"camera.offset_x_mm": OFFSET_MM[0], "camera.offset_y_mm": OFFSET_MM[1]}
    )
    (tmp_path / "bench.toml").write_text(bench, encoding="utf-8")
    copy(demo_zip(tmp_path / "files"), tmp_path / "greenhouse-logger.zip")
    with serving(tmp_path, journal=tmp_path / "runs.db") as one:
        yield one


def test_fiducials_are_found_with_the_camera_where_the_board_really_lies(browser, day, monkeypatch):
    board = read_board(day.folder / "greenhouse-logger.zip", Ask(side=Side.TOP))
    lies = true_place()
    marks = [lies.point((mark.x_mm, mark.y_mm)) for mark in board.fiducials]
    told = day.opened.context.live.last

    def seen(_number, *, settle_frames):
        assert settle_frames >= 0
        at = told("machine")["place"]
        frame = np.full((HIGH, WIDE, 3), 70, np.uint8)
        for x, y in marks:
            px = WIDE / 2 + (x - at["X"] - OFFSET_MM[0]) * PX_PER_MM
            py = HIGH / 2 - (y - at["Y"] - OFFSET_MM[1]) * PX_PER_MM
            cv2.circle(frame, (round(16 * px), round(16 * py)), 16 * 30, (210, 225, 235), -1, cv2.LINE_AA, 4)
        return frame

    monkeypatch.setattr(machine_routes, "camera_frame", seen)
    with tab_of(browser, day) as tab:
        connected(tab, day.base, "sim:reprap?scale=0")
        tab.get_by_role("button", name="… with the camera").click()
        for number in range(1, len(marks) + 1):
            tab.get_by_text(f"Bring the camera's cross-hair onto the middle of F{number}.").wait_for()
            if number == 1:
                tab.get_by_label("Camera", exact=True).select_option("camera 0")
            picture = tab.get_by_alt_text("What the camera sees")
            picture.wait_for()
            tab.wait_for_function(
                "([one, wide]) => one.complete && one.naturalWidth === wide",
                arg=[picture.element_handle(), WIDE],
            )
            off_mm = _off_the_cross_hair(day)
            assert max(abs(one) for one in off_mm) < 3.0  # near by itself
            for axis, by_mm in zip("XY", off_mm, strict=True):
                if abs(by_mm) > FINEST_MM:
                    stepped(tab, day, axis, by_mm)
            tab.get_by_role("button", name="Here", exact=True).click()
        tab.get_by_text("its plan goes by this place now").wait_for()
        until(lambda: not told("machine")["busy"])
        found = read_placement(day.folder / "placement.json").placements.boards[0].affine
        wide, high = board.size_mm
        for corner in ((0.0, 0.0), (wide, 0.0), (0.0, high), (wide, high)):
            # A pixel is 0.017 mm, and a step of the machine 0.01.
            assert found.point(corner) == pytest.approx(lies.point(corner), abs=0.04)


def stepped(tab, day, axis, by_mm):
    """One step of an axis, and what the machine says of it once it has moved."""
    stood = day.opened.context.live.last("machine")["place"][axis]
    tab.evaluate(
        """async ([axis, by]) => {
          const server = await import('/front/server.js');
          await server.post('/machine/step', { axis, by });
        }""",
        [axis, by_mm],
    )
    until(lambda: day.opened.context.live.last("machine")["place"][axis] != stood)


def _off_the_cross_hair(day) -> tuple[float, float]:
    """How far the mark in the picture lies from its middle [mm], by the centroid of what is bright."""
    status, headers, body = day.ask("GET", "/machine/camera/0.jpg")
    assert (status, headers["content-type"]) == (200, "image/jpeg")
    grey = cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    rows, columns = np.nonzero(np.asarray(grey) > 150)
    assert len(rows) > 500
    return (
        float(columns.mean() + 0.5 - WIDE / 2) / PX_PER_MM,
        float(HIGH / 2 - rows.mean() - 0.5) / PX_PER_MM,
    )


def test_the_boards_height_is_felt_on_a_grid_and_kept_with_its_place(browser, day):
    z_mm, by_x, by_y = GROUND
    with tab_of(browser, day) as tab:
        connected(tab, day.base, f"sim:reprap?scale=0&ground={z_mm},{by_x},{by_y}")
        tab.get_by_label("Columns").fill("4")
        tab.get_by_role("button", name="Feel its height").click()
        tab.get_by_text("does the contact answer when you touch it").wait_for()
        tab.get_by_role("button", name="Yes", exact=True).click()
        tab.get_by_text("its plan goes by this place now").wait_for()
        until(lambda: not day.opened.context.live.last("machine")["busy"])
        place = read_placement(day.folder / "placement.json").placements.boards[0]
        for board_mm in ((5.0, 5.0), (45.0, 5.0), (25.0, 20.0), (5.0, 35.0)):
            x_mm, y_mm = place.affine.point(board_mm)
            assert float(place.surface.heights_mm(np.array([[x_mm, y_mm]]))[0]) == pytest.approx(
                z_mm + by_x * x_mm + by_y * y_mm, abs=0.005
            )
        tab.goto(f"{day.base}/#plan")
        tab.get_by_text("Where placement.json says").wait_for()
