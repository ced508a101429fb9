"""However the page's server is told to end, the machine it holds is safe first."""

import re
import signal
import subprocess
import sys
import time

import pytest
from page_in_browser import until
from pretend_machine import Real

from pastewright.cli.by_page import PageClient
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.page.listed import thing_id
from pastewright.profile.examples import DEMO
from pastewright.work.holder import HeldPort

COMMAND = [sys.executable, "-c", "from pastewright.cli.app import main; main()"]


def believed(client, port):
    """Connect, and say that the place which the machine tells is true."""
    client.post("/machine/do", {"what": "connect", "port": port})
    client.heard("machine", lambda machine: machine["connected"] and not machine["busy"])
    client.post("/machine/do", {"what": "believe"})
    ask = client.heard("machine", lambda machine: machine["ask"])["ask"]
    client.post("/machine/answer", {"id": ask["id"], "value": True})
    client.heard("machine", lambda machine: machine["known"] and not machine["busy"])


def done_of(folder):
    """How many deposits of the newest run are done."""
    journal = Journal(folder / "runs.db")
    try:
        runs = journal.runs()
        return runs[0].counts.get(DepositState.DONE, 0) if runs else 0
    finally:
        journal.close()


@pytest.mark.parametrize(
    "signals",
    [
        [signal.SIGHUP],
        pytest.param([signal.SIGTERM], marks=pytest.mark.campaign),
        [signal.SIGINT, signal.SIGINT, signal.SIGINT],
    ],
    ids=["the terminal is closed", "it is told to end", "Ctrl-C three times"],
)
def test_the_tip_is_up_before_the_server_ends(tmp_path, day_folder, signals):
    folder = day_folder(tmp_path, DEMO)
    program = next((folder / "bottom").glob("program.*"))
    with Real("reprap", scale=0.05) as real:
        command = [*COMMAND, "page", str(folder), "--no-show", "--journal", str(folder / "runs.db")]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        try:
            assert process.stdout is not None
            process.stdout.readline()
            found = re.search(r"http://\S+", process.stdout.readline())
            assert found is not None
            held = HeldPort(port=real.server.url, address=found.group(), folder=folder, process=process.pid)
            client = PageClient(held)
            believed(client, real.server.url)
            client.post("/run/begin", {"program": thing_id(program.resolve()), "barrel": "A7"})
            ask = client.heard("machine", lambda machine: machine["ask"])["ask"]
            client.post("/machine/answer", {"id": ask["id"], "value": [one["name"] for one in ask["checks"]]})
            until(lambda: done_of(folder) >= 2)
            for each in signals:
                process.send_signal(each)
                time.sleep(0.02)
            said = process.communicate(timeout=60)[0]
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()
        assert process.returncode == 0, said
        assert "Traceback" not in said
        lifted_mm = real.controller.state.axes_mm[2]
    assert lifted_mm >= 20.0
    journal = Journal(folder / "runs.db")
    (run,) = journal.runs()
    journal.close()
    assert (run.phase, run.why) == ("stopped", "stopped from the server's end")
    assert run.ended_at is not None
