"""A flat picture of mask alone, with no land and nothing overexposed, in which tests draw what they ask about."""

import numpy as np

from pastewright.inspect.flat import FlatBoard


def flat_mask(colour: np.ndarray, scale: float, rows: tuple[int, ...] = (0, 1)) -> FlatBoard:
    """Return the picture of features (lines, columns, 3) over the mask's, `scale` [px/mm], from the board's corner."""
    size = colour.shape[:2]
    features = colour.astype(np.float32)
    nothing = np.zeros(size, bool)
    return FlatBoard(
        low_mm=np.zeros(2),
        scale=scale,
        rgb=np.zeros((*size, 3), np.uint8),
        colour=features,
        on_mask=features,
        inside=~nothing,
        full=nothing,
        land=nothing,
        mask=~nothing,
        nearest=np.zeros(size, np.int64),
        away_mm=np.zeros(size, np.float32),
        rows=rows,
    )
