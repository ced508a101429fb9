"""Statements of a Gerber file to the things drawn."""
