"""What a command's exit code says, the same for all of them; scripts rely on it."""

DONE = 0  # done, and nothing needs a look: verified where there is a program, laid where there is a run
FINDINGS = 1  # done, and something needs a look: findings, changes, deposits in doubt, no mark in the picture
WRONG_INPUT = 2  # not done: what was given is wrong, or does not fit together
OUR_MISTAKE = 70  # not done: a mistake of this program, told with its traceback (EX_SOFTWARE of sysexits.h)
INTERRUPTED = 130  # stopped by a person: Ctrl-C, or no to a question (128 + SIGINT, as shells have it)
NO_READER = 141  # who read the output has gone (128 + SIGPIPE)
