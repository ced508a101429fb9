"""Excellon, XNC and Gerber drill files to holes and slots."""
