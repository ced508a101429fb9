"""Curves of true area, islands of areas that touch, and what tangled rings fill."""
