"""Text of a program to rows of a `Reading`: what each line makes the controller do."""
