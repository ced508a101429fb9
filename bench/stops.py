"""How soon a stop from the page is on the wire of a controller at work, and how soon the machine then stands still.

`python bench/stops.py [TRIALS]`: real time, some ten seconds a trial. From the request of a window to the first byte that
the server then sends: for a small CNC controller the byte that holds it, for a printer's the word that ends motion where it
is. When the tip is up and all is told comes behind it. The first stop of each controller falls on the long settling strip.
"""

import random
import sys
import tempfile
from pathlib import Path
from time import monotonic, sleep, time

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "helpers"))

from aims import Aims
from demo_plans import plan_of
from page_in_browser import serving
from pretend_machine import Real

import pastewright as pw
from pastewright.board.model import Side
from pastewright.cli.by_page import PageClient
from pastewright.link.barrels import BarrelEvent, enter, new_barrel
from pastewright.link.journal import Journal
from pastewright.page.listed import thing_id
from pastewright.profile.examples import DEMO, example_text
from pastewright.work.holder import HeldPort

BENCHES = {"reprap": DEMO, "cnc": "bench-ngc-rotary-a"}
AIM_S = 0.1
LAID_FIRST = 2
"""Deposits before the stop: it comes in the midst of the board, not on the long strip before it."""


def trial(protocol: str, folder: Path, *, on_strip: bool) -> tuple[float, float]:
    """Return seconds from the stop to the first byte on the wire, and until the tip is up and all is told."""
    bench = BENCHES[protocol]
    (folder / "bench.toml").write_text(example_text(bench), encoding="utf-8")
    pw.write_plan(plan_of(Side.BOTTOM, bench), folder / "bottom")
    program = next((folder / "bottom").glob("program.*"))
    journal = Journal(folder / "runs.db")
    barrel = new_barrel(journal, "A7", paste="p", lot="L", fill_ul=2500.0, note="", now_s=time())
    enter(journal, barrel, BarrelEvent.OPENED, now_s=time())
    journal.close()
    with Real(protocol) as real, serving(folder, journal=folder / "runs.db") as page:
        address = page.opened.address
        client = PageClient(HeldPort(port="", address=address, folder=folder, process=0))
        client.post("/machine/do", {"what": "connect", "port": real.server.url})
        machine = client.heard("machine", lambda words: words["connected"] and not words["busy"])
        if not machine["known"]:
            client.post("/machine/do", {"what": "believe"})
            ask = client.heard("machine", lambda words: words["ask"])["ask"]
            client.post("/machine/answer", {"id": ask["id"], "value": True})
            client.heard("machine", lambda words: words["known"] and not words["busy"])
        real.server.keep_wire = True
        client.post("/run/begin", {"program": thing_id(program.resolve()), "barrel": "A7"})
        ask = client.heard("machine", lambda words: words["ask"])["ask"]
        client.post("/machine/answer", {"id": ask["id"], "value": [one["name"] for one in ask["checks"]]})
        if on_strip:
            client.heard("run", lambda words: words["phase"] == "preparing")
            sleep(random.uniform(2.0, 5.0))
        else:
            client.heard("run", lambda words: words["done"] >= LAID_FIRST)
            sleep(random.uniform(0.0, 1.5))
        real.server.wire.clear()
        pressed_s = monotonic()
        client.post("/stop", {})
        client.heard("run", lambda words: words["phase"] == "stopped")
        sent = [(at, data) for at, data in real.server.wire if data and at >= pressed_s]
        wanted = b"!" if protocol == "cnc" else b"M410"
        first_s = next(at for at, data in sent if wanted in data)
        for at, data in sent:
            if at < first_s:
                print(
                    f"  before it, after {1000 * (at - pressed_s):.0f} ms: {data.decode('latin-1').strip()}"
                )
        return first_s - pressed_s, monotonic() - pressed_s


if __name__ == "__main__":
    goals = Aims()
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    for flavour in BENCHES:
        found = []
        for number in range(trials):
            with tempfile.TemporaryDirectory() as name:
                found.append(trial(flavour, Path(name), on_strip=number == 0))
        print(
            f"{flavour}: first byte after {', '.join(f'{1000 * first:.0f}' for first, _ in found)} ms;"
            f" lifted, relieved and told after {', '.join(f'{last:.2f}' for _, last in found)} s"
        )
        goals.under(f"stop on the wire, {flavour}", max(first for first, _ in found), AIM_S, "s")
    goals.tell()
