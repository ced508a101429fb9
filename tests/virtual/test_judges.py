"""Other people's clients talk to the pretend controller over a pseudo-terminal, and must be content.

They live in an environment of their own, whose Python is named by PASTEWRIGHT_CLIENTS_PYTHON (else it is looked
for in the folder `pastewright-clients` of the temporary folder):

    python3 -m venv $TMPDIR/pastewright-clients
    $TMPDIR/pastewright-clients/bin/pip install --no-deps \
        printrun==2.2.0 grbl-streamer==2.0.2 gcode-machine==1.0.3 pyserial==3.5
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.judge

CLIENTS = os.environ.get(
    "PASTEWRIGHT_CLIENTS_PYTHON", str(Path(tempfile.gettempdir()) / "pastewright-clients" / "bin" / "python")
)

# printrun 2.2.0: numbers and checksums of its own, one line at a time, goes back when asked to.
PRINTER_CLIENT = """
import json, sys, time
from printrun.printcore import printcore
from printrun import gcoder
name, lines = sys.argv[1], json.loads(sys.stdin.read())
client, resends = printcore(), []
client.recvcb = lambda line: resends.append(line) if line.lower().startswith("resend") else None
client.connect(name, 115200)
end = time.monotonic() + 10
while not client.online and time.monotonic() < end: time.sleep(0.01)
assert client.online, "never online"
client.startprint(gcoder.LightGCode(lines))
end = time.monotonic() + 40
while client.printing and time.monotonic() < end: time.sleep(0.01)
printing = client.printing
time.sleep(0.5)
client.disconnect()
print(json.dumps({"unfinished": printing, "resends": len(resends)}))
"""

# grbl-streamer 2.0.2: counts the bytes in the controller's 128-byte buffer, asks with ? while it streams. Two of its
# threads send at once when a job begins, and then may leave out a line; a lock keeps them apart.
CNC_CLIENT = """
import json, sys, threading, time
from grbl_streamer import GrblStreamer
name, lines = sys.argv[1], json.loads(sys.stdin.read())
events = []
client = GrblStreamer(lambda *event: events.append(event))
client.incremental_streaming = False
lock, unguarded = threading.RLock(), client._stream
def guarded():
    with lock:
        unguarded()
client._stream = guarded
client.cnect(name, 115200)
def wait(done, seconds):
    end = time.monotonic() + seconds
    while not done() and time.monotonic() < end: time.sleep(0.01)
    return done()
assert wait(lambda: client.connected, 10), "never connected"
client.poll_start()
locked = wait(lambda: client.cmode == "Alarm", 3)
client.killalarm()
assert wait(lambda: client.cmode == "Idle", 10), "never idle"
time.sleep(0.5)  # its own questions, whose answers it would count as answers to lines
client.write("\\n".join(lines))
client.job_run()
streamed = wait(lambda: client.streaming_complete, 40)
still = wait(lambda: client.cmode == "Idle" and client.is_standstill, 20)
errors = [event[0] for event in events if event[0] in ("on_error", "on_alarm")]
client.disconnect()
print(json.dumps({"streamed": streamed, "still": still, "errors": errors, "at": client.cmpos}))
"""


def client_or_skip(module):
    """Return the Python that has the client `module`, or skip the test and say what is missing."""
    if not Path(CLIENTS).exists():
        pytest.skip(f"no Python with outside clients at {CLIENTS}; see this file's first lines")
    has = subprocess.run([CLIENTS, "-c", f"import {module}"], capture_output=True, timeout=60, check=False)
    if has.returncode != 0:
        pytest.skip(f"{CLIENTS} has no {module}; see this file's first lines")
    return CLIENTS


def streamed(client, script, lines, words, record):
    """Return what a client says after streaming `lines` to a controller served with `words`."""
    server = subprocess.Popen(
        [sys.executable, "-m", "pastewright.virtual", "--pty", "--record", str(record), *words],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert server.stdout is not None
    try:
        name = server.stdout.readline().strip()
        done = subprocess.run(
            [client, "-c", script, name],
            input=json.dumps(lines),
            capture_output=True,
            text=True,
            timeout=90,
            check=False,
        )
    finally:
        server.terminate()
        server.wait(10)
        server.stdout.close()
    assert done.returncode == 0, done.stderr
    entries = [json.loads(line) for line in record.read_text().splitlines()]
    return json.loads(done.stdout.splitlines()[-1]), entries


def printer_lines(count):
    return [f"G1 X{at % 100}.{at % 10} Y{at % 37} E{at / 1000:.3f} F6000" for at in range(count)]


def test_a_printer_client_streams_every_line_once(tmp_path):
    lines = printer_lines(1000)
    words = ["--protocol", "reprap", "--scale", "0"]
    said, entries = streamed(
        client_or_skip("printrun.printcore"), PRINTER_CLIENT, lines, words, tmp_path / "record"
    )
    assert said == {"unfinished": False, "resends": 0}
    assert [entry["text"] for entry in entries if entry.get("text", "").startswith("G1")] == lines


def test_a_printer_client_is_put_right_after_every_wrong_byte(tmp_path):
    lines = printer_lines(600)
    places = range(500, 18_000, 500)
    # Bytes that come twice: a lost newline would leave this client waiting for ever, a second one does no harm.
    faults = [word for place in places for word in ("--fault", f"duplicate@{place}:to-controller")]
    words = ["--protocol", "reprap", "--scale", "0", *faults]
    said, entries = streamed(
        client_or_skip("printrun.printcore"), PRINTER_CLIENT, lines, words, tmp_path / "record"
    )
    assert not said["unfinished"]
    struck = sum("fault" in entry for entry in entries)
    assert struck > 30
    assert struck - 5 <= said["resends"] <= struck
    assert [entry["text"] for entry in entries if entry.get("text", "").startswith("G1")] == lines


def test_a_cnc_client_streams_by_counting_bytes(tmp_path):
    lines = ["G21 G90 G94", "F6000", *(f"G1 X{at % 100}.5 Y{at % 37}" for at in range(800))]
    # This client knows a controller by one greeting only.
    words = ["--protocol", "cnc", "--scale", "0.01", "--greeting", "Grbl 1.1h ['$' for help]"]
    said, entries = streamed(client_or_skip("grbl_streamer"), CNC_CLIENT, lines, words, tmp_path / "record")
    assert said["streamed"]
    assert said["still"]
    assert said["errors"] == []
    last = next(entry["axes_mm"] for entry in reversed(entries) if "axes_mm" in entry)
    assert said["at"] == pytest.approx(last, abs=0.0005)  # reports have three places
    moves = [(entry["axes_mm"][0], entry["axes_mm"][1]) for entry in entries if "X" in entry.get("text", "")]
    assert moves == [(at % 100 + 0.5, at % 37) for at in range(800)]
