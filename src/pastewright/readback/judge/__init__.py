"""What was expected against what the machine does: rules, findings and the `Verdict`."""
