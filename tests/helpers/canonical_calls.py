"""What an RS274/NGC interpreter makes of a program: its canonical calls as JSON.

Run by the system's Python, which has the module `gcode` of Debian's package linuxcnc-uspace; not a test itself.

    /usr/bin/python3 canonical_calls.py PROGRAM VARIABLES
"""

import json
import sys


class Canon:
    """Notes the calls. Lengths come in inches, the interpreter's own unit; all nine axes come with every move."""

    def __init__(self, variables):
        self.calls = []
        self.parameter_file = variables

    def __getattr__(self, name):
        if name.startswith("_") or name == "user_defined_function":
            raise AttributeError(name)
        return lambda *_: None

    def next_line(self, state):
        pass

    def get_axis_mask(self):
        return 0x1FF

    def get_external_length_units(self):
        return 1.0

    def get_external_angular_units(self):
        return 1.0

    def get_block_delete(self):
        return False

    def check_abort(self):
        return False

    def get_tool(self, _):
        return (-1, *[0.0] * 12, 0)

    def straight_traverse(self, *place):
        self.calls.append(["rapid", *place])

    def straight_feed(self, *place):
        self.calls.append(["feed", *place])

    def set_feed_rate(self, feed):
        self.calls.append(["F", feed])

    def dwell(self, seconds):
        self.calls.append(["dwell", seconds])


if __name__ == "__main__":
    import gcode

    canon = Canon(sys.argv[2])
    result, line = gcode.parse(sys.argv[1], canon, "G21", "")
    failed = result > gcode.MIN_ERROR
    error = f"line {line}: {gcode.strerror(result)}" if failed else ""
    print(json.dumps({"error": error, "calls": canon.calls}))
