"""Pictures, tables and the one-file report. Knows nothing of how values were computed."""
