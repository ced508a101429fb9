"""The files that go between commands as values: one shape each, one reader, one writer. They know no stage."""
