"""The job file: what is particular to one board, beside the profile of the bench."""
