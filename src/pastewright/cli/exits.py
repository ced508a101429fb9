"""What a command's exit code says; scripts rely on it."""

DONE = 0  # done and, where there is a program, verified
FINDINGS = 1  # done, but the verdict has findings
WRONG_INPUT = 2  # the input or the profile is wrong
INTERRUPTED = 130  # stopped by Ctrl-C
