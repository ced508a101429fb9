"""What is kept: readings of dots, the history in the profile, capability, pictures."""
