"""Who is called what: centroid files and netlists."""
