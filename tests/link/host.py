"""A host process to be killed: opens a journal and a port, works on a board, and says nothing.

    python host.py JOURNAL PORT PROTOCOL PROGRAM PLAN

With an empty journal it begins a board; otherwise it goes on with the last one, leaving what is in doubt alone.
"""

import os
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(1, str(Path(__file__).parents[1] / "helpers"))

from harness import bench, sender
from run_setting import SETTING

from pastewright.link.conduct import conduct
from pastewright.link.job import read_job
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.link.left_out import chosen
from pastewright.link.phases import Phase
from pastewright.link.port import open_port
from pastewright.link.run import Run
from pastewright.records.plan import read_plan


def work(journal_file: str, port: str, protocol: str, program: str, plan: str) -> Phase:
    text, document = Path(program).read_text("utf-8"), read_plan(Path(plan))
    job = read_job(text, document)
    journal = Journal(Path(journal_file))
    rows = journal.runs()
    board = (
        rows[0].board
        if rows
        else journal.begin_board(job, name="p", text=text, plan=document, number=1, now_s=time.time())
    )
    journal.interrupted(board, why="killed", now_s=time.time())
    wanted = {one.deposit for one in journal.deposits(board) if one.state is DepositState.NOT_STARTED}
    number = journal.begin_run(board, SETTING, process=os.getpid(), now_s=time.time())
    connection = open_port(port, baud=115200)
    # As detection does: whatever an earlier host left behind has come before the handshake begins.
    quiet_s = time.monotonic() + 0.1
    while time.monotonic() < quiet_s:
        if connection.read():
            quiet_s = time.monotonic() + 0.1
    run = Run(job, chosen(job, wanted), sender(protocol), bench(protocol))
    conduct(
        run,
        connection,
        lambda actions: journal.enter(number, actions, now_s=time.time()),
        wishes=list,
        show=lambda actions: None,
        mark=lambda sent: journal.mark(number, sent, now_s=time.time()),
    )
    connection.close()
    return run.phase


if __name__ == "__main__":
    sys.exit(0 if work(*sys.argv[1:]) is Phase.FINISHED else 1)
