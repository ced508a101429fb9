"""A program to a controller: senders, run, journal, port. Floors: above profile and problems, below the faces."""
