"""Layers to lands, openings, kinds and outline: the board."""
