"""Two tiny controllers for the tests: just the rules of each protocol, every line carried out when it is taken.

They share no code with the senders. `executed` is what was carried out, in order; `place` where the axes are.
"""

import re

WORD = re.compile(r"([A-Z])([-+]?[0-9.]+)")


class Axes:
    def __init__(self, letters: str) -> None:
        self.place = dict.fromkeys(letters, 0.0)
        self.executed: list[str] = []
        self.absolute = self.plunger_absolute = True

    def run(self, line: str) -> None:
        self.executed.append(line)
        words = [(letter, float(value)) for letter, value in WORD.findall(line.replace(" ", ""))]
        values = {letter: value for letter, value in words if letter in self.place}
        codes = {f"{letter}{value:g}" for letter, value in words if letter in "GM"}
        self.absolute = (self.absolute or "G90" in codes) and "G91" not in codes
        if codes & {"M82", "G90"}:
            self.plunger_absolute = True
        if codes & {"M83", "G91"}:
            self.plunger_absolute = False
        if "G92" in codes:
            self.offset(values)
        elif not codes & {"G4", "G28"}:
            for letter, value in values.items():
                absolute = self.plunger_absolute if letter == "E" else self.absolute
                self.place[letter] = value if absolute else self.place[letter] + value

    def offset(self, values: dict[str, float]) -> None:
        self.place.update(values)


class TinyPrinter(Axes):
    """A printer controller: numbered lines, checksums, ok, Resend, M114, M115."""

    def __init__(self, *, advanced: bool = False, busy: bool = False) -> None:
        super().__init__("XYZE")
        self.last = 0
        self.advanced, self.busy = advanced, busy
        self.buffer = b""
        self.out = bytearray()

    def say(self, text: str) -> None:
        self.out += text.encode() + b"\n"

    def reset(self) -> None:
        self.last, self.buffer = 0, b""
        self.place = dict.fromkeys("XYZE", 0.0)
        self.out.clear()
        self.say("start")

    def feed(self, data: bytes, now_s: float) -> None:
        self.buffer += data
        while b"\n" in self.buffer:
            raw, _, self.buffer = self.buffer.partition(b"\n")
            if raw.strip():
                self.line(raw.decode("latin-1").strip())

    def resend(self, why: str) -> None:
        self.say(f"Error:{why}, Last Line: {self.last}")
        self.say(f"Resend: {self.last + 1}")
        self.say("ok")

    def line(self, text: str) -> None:
        number = re.match(r"N(\d+) ?", text)
        body, star, told = text.rpartition("*")
        if number and not star:
            return self.resend("No Checksum with line number")
        if star and not number:
            return self.resend("No Line Number with checksum")
        if number and star:
            sum_ = 0
            for byte in body.encode("latin-1"):
                sum_ ^= byte
            if told != str(sum_):
                return self.resend("checksum mismatch")
            text = body[number.end() :]
            if "M110" not in text and int(number[1]) != self.last + 1:
                return self.resend("Line Number is not Last Line Number+1")
            self.last = int(number[1])
        self.carry_out(text)
        self.say(f"ok N{self.last} P15 B3" if self.advanced else "ok")
        return None

    def carry_out(self, text: str) -> None:
        if self.busy:
            self.say("echo:busy: processing")
        if text == "M115":
            self.say("FIRMWARE_NAME:Tiny 1.0 (for tests) PROTOCOL_VERSION:1.0")
        elif text == "M114":
            place = " ".join(f"{letter}:{value:.2f}" for letter, value in self.place.items())
            self.say(place + " Count X:0 Y:0 Z:0")
        elif text == "M105":
            self.say("ok T:21.0 /0.0")
        elif not re.match(r"[GMT]\d", text):
            self.say(f'echo:Unknown command: "{text}"')
        elif text[:4] not in ("M110", "M400"):
            self.run(text)

    def take(self, now_s: float) -> bytes:
        data = bytes(self.out)
        self.out.clear()
        return data

    def next_s(self, now_s: float) -> float | None:
        return None


class TinyCnc(Axes):
    """A small CNC controller: a 128-byte buffer, ok and error, real-time bytes, status reports."""

    def __init__(self) -> None:
        super().__init__("XYZA")
        self.work = dict.fromkeys("XYZA", 0.0)
        self.buffer = b""
        self.out = bytearray()
        self.hold = False
        self.most_buffered = 0
        self.overrun = False
        self.alarm = False

    def say(self, text: str) -> None:
        self.out += text.encode() + b"\r\n"

    def offset(self, values: dict[str, float]) -> None:
        for letter, value in values.items():
            self.work[letter] += self.place[letter] - value
        self.place.update(values)

    def reset(self) -> None:
        self.buffer, self.hold = b"", False
        for letter, value in self.work.items():
            self.place[letter] += value
        self.work = dict.fromkeys("XYZA", 0.0)
        self.absolute = self.plunger_absolute = True
        self.say("")
        self.say("Grbl 1.1h ['$' for help]")

    def feed(self, data: bytes, now_s: float) -> None:
        for byte in data:
            if byte == 0x3F:
                self.status()
            elif byte == 0x21:
                self.hold = True
            elif byte == 0x7E:
                self.hold = False
            elif byte == 0x18:
                self.reset()
            elif len(self.buffer) < 128:
                self.buffer += bytes([byte])
            else:
                self.overrun = True
        self.most_buffered = max(self.most_buffered, len(self.buffer))

    def status(self) -> None:
        state = (
            "Alarm" if self.alarm else "Hold:0" if self.hold else "Run" if b"\n" in self.buffer else "Idle"
        )
        machine = ",".join(f"{self.place[k] + self.work[k]:.3f}" for k in "XYZA")
        offset = ",".join(f"{self.work[k]:.3f}" for k in "XYZA")
        self.say(f"<{state}|MPos:{machine}|Bf:15,128|FS:0,0|WCO:{offset}>")

    def work_off(self) -> None:
        while b"\n" in self.buffer and not self.hold:
            raw, _, self.buffer = self.buffer.partition(b"\n")
            self.line(raw.decode("latin-1").strip().replace(" ", "").upper())

    def line(self, text: str) -> None:
        if text == "$G":
            self.say("[GC:G1 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]")
        elif self.alarm:
            return self.say("error:9")
        elif text and not re.fullmatch(r"(?:[GMXYZAFP][-+]?(?:\d+\.?\d*|\.\d+))+", text):
            return self.say("error:20" if text[:1].isalpha() else "error:1")
        elif text:
            self.run(text)
        return self.say("ok")

    def take(self, now_s: float) -> bytes:
        self.work_off()
        data = bytes(self.out)
        self.out.clear()
        return data

    def next_s(self, now_s: float) -> float | None:
        return None
