"""Points found on a board to a judged map: `Registration`; and the camera that finds them."""
