"""JSON text to plain data, refused with words for people: where it breaks, or that no program of ours wrote it."""

import json

from pastewright.problems import one_error


def parsed(text: str, *, what: str, mend: str, file: str) -> object:
    """Return the data of a JSON text that should be `what` ("a plan").

    Raises `InputError` for what is no JSON, with the line; for nesting without end; and for a number of thousands of
    digits, which Python refuses to read.
    """
    try:
        data: object = json.loads(text)
    except json.JSONDecodeError as error:
        raise one_error(f"this is not JSON: {error.msg}", mend, file=file, line=error.lineno) from None
    except (RecursionError, ValueError):
        raise one_error(f"this JSON is not {what}", mend, file=file) from None
    return data
