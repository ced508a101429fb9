"""The page's server in a process of its own, as the command starts it: it can be told to end, or killed."""

import re
import subprocess
import sys
from pathlib import Path

from pastewright.cli.by_page import PageClient
from pastewright.work.holder import HeldPort

COMMAND = [sys.executable, "-c", "from pastewright.cli.app import main; main()"]


class Killable:
    """The server of a folder, with the folder's own journal; `said` is what it wrote since it told its address."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        command = [*COMMAND, "page", str(folder), "--no-show", "--journal", str(folder / "runs.db")]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        assert self.process.stdout is not None
        self.address = ""
        self.said = ""
        while not self.address:
            line = self.process.stdout.readline()
            assert line, "the page ended before it told its address"
            found = re.search(r"http://\S+", line)
            self.address = found.group() if found else ""
        self.base = "/".join(self.address.split("/")[:3])

    def client(self, port: str) -> PageClient:
        """Return another program that asks this server for the machine at a port."""
        held = HeldPort(port=port, address=self.address, folder=self.folder, process=self.process.pid)
        return PageClient(held)

    def ended(self) -> int:
        """Wait for its end; return how it ended."""
        self.said = self.process.communicate(timeout=60)[0]
        return self.process.returncode

    def end(self, how: int) -> None:
        """Send a signal, and wait until it has ended."""
        self.process.send_signal(how)
        self.ended()

    def done_with(self) -> None:
        """Kill it where it still runs."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.communicate()
