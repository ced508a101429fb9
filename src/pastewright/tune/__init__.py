"""Tuning: a sheet of dots, its photo, and the plunger model that explains it."""
