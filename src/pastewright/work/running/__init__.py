"""A run at the command line: what is chosen, asked, sent, and shown meanwhile."""
