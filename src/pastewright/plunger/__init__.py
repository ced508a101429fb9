"""Pressure, flow, force and resolution behind the tip; push, dwell and retraction for a volume."""
