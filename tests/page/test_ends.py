"""However the page's server is told to end, the machine it holds is safe first."""

import signal
import time

import pytest
from page_in_browser import until
from page_process import Killable
from pretend_machine import Real

from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.page.listed import thing_id
from pastewright.profile.examples import DEMO


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
        page = Killable(folder)
        try:
            client = page.client(real.server.url)
            believed(client, real.server.url)
            client.post("/run/begin", {"program": thing_id(program.resolve()), "barrel": "A7"})
            ask = client.heard("machine", lambda machine: machine["ask"])["ask"]
            client.post("/machine/answer", {"id": ask["id"], "value": [one["name"] for one in ask["checks"]]})
            until(lambda: done_of(folder) >= 2)
            for each in signals:
                page.process.send_signal(each)
                time.sleep(0.02)
            ended = page.ended()
        finally:
            page.done_with()
        assert ended == 0, page.said
        assert "Traceback" not in page.said
        lifted_mm = real.controller.state.axes_mm[2]
    assert lifted_mm >= 20.0
    journal = Journal(folder / "runs.db")
    (run,) = journal.runs()
    journal.close()
    assert (run.phase, run.why) == ("stopped", "stopped from the server's end")
    assert run.ended_at is not None
