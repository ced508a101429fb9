"""Heights touched to the surface of a board, and the journey of the tip that touches them."""
