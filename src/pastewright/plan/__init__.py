"""The stages in one line: `Board` and `Profile` in, a verified program and its `plan.json` out."""
