"""SVG and DXF drawings and tables of pads to a board."""
