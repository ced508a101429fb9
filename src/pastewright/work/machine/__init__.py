"""A person at the machine: keys and lines in, words out, and the end of whatever they were doing."""
