"""Mistyped commands and options in our own words: what is wrong with which option, and where help is.

The library that parses the command line says it in the words of its own machinery.
"""

import re

_WORDS: tuple[tuple[str, str], ...] = (
    (r"Input should be less than or equal to (\S+)", r"at most \1"),
    (r"Input should be greater than or equal to (\S+)", r"at least \1"),
    (r"Input should be a valid integer.*", "a whole number is wanted"),
    (r"Input should be a valid number.*", "a number is wanted"),
    (r"Input should be a finite number.*", "a number is wanted"),
    (r"Value error, ", ""),
    (r"^Invalid value for '([^']+)': ", r"\1: "),
    (r"^Invalid value: ", ""),
    (r"^Missing option '([^']+)'.*", r"\1 is missing"),
    (r"^Missing argument '([^']+)'.*", r"\1 is missing"),
    (r"^Got unexpected extra arguments?(?:\(s\))? \((.*)\)", r"too many words: \1"),
    (r"^No such command ('[^']*')\.?", r"there is no command \1;"),
    (r"^No such option: (\S+)", r"there is no option \1;"),
    (r"^(?:Option|Argument) '([^']+)' requires an argument\.?", r"\1 wants a value"),
    (r"Did you mean ", "did you mean "),
    (r"Possible options: ", "there are: "),
)


def usage_words(message: str) -> str:
    """Return what the library says about the command line in our own words."""
    for pattern, words in _WORDS:
        message = re.sub(pattern, words, message)
    return message.strip().rstrip(";.")


def usage_problem(error: Exception) -> tuple[str, str] | None:
    """Return what is wrong and how to mend it; None for what is no mistake of typing (a page of help)."""
    format_message = getattr(error, "format_message", None)
    if format_message is None or type(error).__name__ == "NoArgsIsHelpError":
        return None
    context = getattr(error, "ctx", None)
    command = getattr(context, "command_path", "pastewright")
    return usage_words(str(format_message())), f"See: {command} --help"
