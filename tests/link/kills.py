"""Boards whose host process is killed (SIGKILL) at random moments, resumed until done, and what to hold of them."""

import json
import random
import re
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from harness import job_of
from peers import TinyCnc, TinyPrinter
from programs import written
from server import Server

from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState

HOST = Path(__file__).parent / "host.py"


@dataclass
class Killed:
    """What became of one board."""

    kills: int
    done: int
    doubts: int


def killed_board(seed: int, protocol: str, folder: Path, *, kills: int = 2, deposits: int = 30) -> Killed:
    """Lay a board whose host is killed up to `kills` times; checks every deposit against the controller's record."""
    rng = random.Random(seed)
    folder.mkdir()
    pair = written(protocol, deposits)
    (folder / "program").write_text(pair[0], "utf-8")
    (folder / "plan").write_text(json.dumps(pair[1]), "utf-8")
    journal_file = folder / "journal.db"
    peer = TinyPrinter() if protocol == "reprap" else TinyCnc()
    done_kills = 0
    with Server(peer, line_s=0.002) as server:
        command = [sys.executable, str(HOST), str(journal_file), server.url, protocol]
        command += [str(folder / "program"), str(folder / "plan")]
        for attempt in range(kills + 4):
            process = subprocess.Popen(command, stderr=subprocess.PIPE)
            if attempt < kills:
                # Start-up takes some 0.3 s, the board about 1 s: most kills hit the middle of it.
                time.sleep(rng.uniform(0.25, 1.3))
                if process.poll() is None:
                    process.kill()
                    done_kills += 1
            _, words = process.communicate(timeout=60)
            assert process.returncode in (0, 1, -9), words.decode()
            if process.returncode == 0:
                break
        else:
            raise AssertionError(f"never finished: {words.decode()}")
    return _checked(pair, peer, journal_file, done_kills)


def _place(line: str) -> list[tuple[str, float]]:
    """The words of a line as numbers, without its feed."""
    return [(name, float(value)) for name, value in re.findall(r"([A-EG-Z])(-?[\d.]+)", line)]


def _checked(pair, peer, journal_file: Path, kills: int) -> Killed:
    job = job_of(pair)
    executed = [line.replace(" ", "") for line in peer.executed]
    journal = Journal(journal_file)
    rows = journal.deposits(journal.runs()[0].board)
    noted = " ".join(
        text for run in journal.runs() for _, kind, text in journal.events(run.id) if "in doubt" in text
    )
    journal.close()
    lines = {block.deposit: [line.replace(" ", "") for line in block.lines] for block in job.blocks}
    for row in rows:
        block = lines[row.deposit]
        # The first line of a block goes to a place of its own, which tells the deposit; from elsewhere it may go slower.
        begun = [at for at, line in enumerate(executed) if _place(line) == _place(block[0])]
        if row.state is DepositState.DONE:
            assert len(begun) == 1, f"deposit {row.deposit} was begun {len(begun)} times"
            assert executed[begun[0] + 1 : begun[0] + len(block)] == block[1:], (
                f"deposit {row.deposit} is not whole"
            )
        else:
            assert row.state is DepositState.TO_BE_CHECKED, row
            assert len(begun) <= 1, f"deposit {row.deposit} in doubt was begun {len(begun)} times"
            assert str(row.deposit) in noted
    return Killed(
        kills=kills,
        done=sum(row.state is DepositState.DONE for row in rows),
        doubts=sum(row.state is DepositState.TO_BE_CHECKED for row in rows),
    )
