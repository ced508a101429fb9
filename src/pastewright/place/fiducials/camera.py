"""Frames from a file or a camera: the edge of `locate`, where OpenCV touches the outside."""

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.problems import one_error

MOST_BYTES = 200_000_000  # larger than any photo of a common camera; own choice
# The first frames of a camera are dark or blurred, until exposure and focus have settled.
SETTLE_FRAMES = 10


def read_frame(path: Path) -> NDArray[np.uint8]:
    """Return the picture in a file; InputError when it holds none."""
    try:
        if path.is_dir():
            raise one_error("this is a folder, not a picture", "Give a photo (PNG, JPEG).", file=str(path))
        if path.stat().st_size > MOST_BYTES:
            raise one_error("this picture is too large", "Give a photo (PNG, JPEG).", file=str(path))
        data = np.frombuffer(path.read_bytes(), dtype=np.uint8)
    except OSError as error:
        raise one_error(
            f"the picture cannot be read: {error.strerror or error}", "Check the name.", file=str(path)
        ) from None
    try:
        frame = cv2.imdecode(data, cv2.IMREAD_COLOR) if data.size else None
    except cv2.error:
        frame = None
    if frame is None:
        raise one_error("this is no picture that can be read", "Give a photo (PNG, JPEG).", file=str(path))
    return np.asarray(frame, dtype=np.uint8)


def camera_frame(source: int | str, *, settle_frames: int = SETTLE_FRAMES) -> NDArray[np.uint8]:
    """Return one frame of a camera by its number, or of a film or numbered pictures by their name.

    The frame is the one after `settle_frames`, or the last there is. InputError when there is none.
    """
    camera = cv2.VideoCapture(source)
    try:
        last = None
        if camera.isOpened():
            for _ in range(settle_frames + 1):
                good, frame = camera.read()
                if not good:
                    break
                last = frame
    finally:
        camera.release()
    if last is None:
        raise one_error(
            f"camera {source} gives no picture",
            "Is it plugged in, and free of other programs? Try --camera 0, 1, …; or give a photo.",
        )
    return np.asarray(last, dtype=np.uint8)
