"""From what a sheet shows to what the bench is: the forward model, the search, and what to make of it."""
