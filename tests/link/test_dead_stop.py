"""A stop that cannot wait, on a printer's wire: motion ends where it is, the tip goes up, all is accounted for."""

import re

import pytest
from harness import Ledger, drive, job_of, new_run
from peers import TinyPrinter
from programs import written

from pastewright.link.actions import Noted, Send, Started, Swept
from pastewright.link.events import Standing
from pastewright.link.phases import Phase
from pastewright.link.reprap import DEAF_S, RepRapSender, numbered
from pastewright.virtual import Manners, VirtualController

TOLD = 0.005
"""Half the last decimal of a place told."""


class StoppedAt:
    """A virtual printer, and a person who presses stop at a time."""

    def __init__(self, job, stop_s, **manners):
        self.controller = VirtualController(
            "reprap", scale=1.0, manners=Manners(chatter_lines=0, busy_s=0, **manners)
        )
        self.stop_s, self.pressed_s, self.sent_s = stop_s, None, None
        self.ledger = Ledger(job)
        self.feed, self.take = self.controller.feed, self.controller.take

    def next_s(self, now_s):
        times = [time for time in (self.controller.next_s(now_s), None) if time is not None]
        return min(times + [self.stop_s] * (self.pressed_s is None), default=None)

    def watch(self, run, actions, now_s):
        self.ledger(run, actions, now_s)
        if self.sent_s is None and any(isinstance(one, Send) and b"M410" in one.data for one in actions):
            self.sent_s = now_s
        if self.pressed_s is None and now_s >= self.stop_s and not run.over:
            self.pressed_s = now_s
            run.stop(now_s)
            later = run.actions()
            self.watch(run, later, now_s)
            for action in later:
                if isinstance(action, Send):
                    self.controller.feed(action.data, now_s)


def stopped(stop_s, *, deposits=3, relative=False, **manners):
    job = job_of(written("reprap", deposits, relative=relative))
    run, peer = new_run("reprap", job), StoppedAt(job, stop_s, **manners)
    drive(run, peer, watch=peer.watch)
    return run, peer


def accounted(actions):
    """What the account has of the plunger's way, and how far it says that it may be wrong."""
    units = sum(sum(action.units) for action in actions if isinstance(action, Started))
    units += sum(action.units for action in actions if isinstance(action, Swept))
    return units, sum(action.doubt for action in actions if isinstance(action, Swept))


# The strip of the little program: hops until 1.65 s, a push until 1.8 s, 20 mm at 5 mm/s until 5.8 s, draw and lift until
# 6.2 s; then deposits of about a second each.
TIMES = [0.5, 1.7, 2.0, 3.3, 5.0, 5.9, 6.3, *(6.4 + 0.17 * k for k in range(16))]


@pytest.mark.parametrize("relative", [False, True])
@pytest.mark.parametrize("stop_s", TIMES)
def test_a_dead_stop_ends_motion_lifts_the_tip_and_accounts_for_the_plunger(stop_s, relative):
    run, peer = stopped(stop_s, relative=relative)
    assert run.phase is Phase.STOPPED
    assert peer.sent_s == peer.pressed_s, "the word did not go out at once"
    now = peer.controller.state
    assert now.axes_mm[2] == pytest.approx(12.0)
    after = [one for one in peer.controller.executed if one.time_s > peer.pressed_s + 0.01]
    across = {one.axes_mm[:2] for one in after}
    assert len(across) <= 1, "it went on sideways"
    units, doubt = accounted(peer.ledger.actions)
    assert abs(units - now.plunger) <= doubt + 1e-9
    assert doubt <= 2 * TOLD
    assert peer.ledger.count("started") == 0


def test_the_strip_stops_within_the_time_that_a_person_allows():
    _, peer = stopped(3.3)
    moving = [one for one in peer.controller.executed if one.share < 1.0]
    assert [one.time_s for one in moving] == pytest.approx([peer.pressed_s], abs=0.002)
    lifted = next(
        one for one in peer.controller.executed if "Z12" in one.text and one.time_s > peer.pressed_s
    )
    assert lifted.time_s - peer.pressed_s < DEAF_S + 0.5


@pytest.mark.parametrize("stop_s", TIMES[::3])
def test_without_a_parser_for_emergencies_it_acts_in_its_turn(stop_s):
    run, peer = stopped(stop_s, emergency_parser=False)
    assert run.phase is Phase.STOPPED
    now = peer.controller.state
    assert now.axes_mm[2] == pytest.approx(12.0)
    units, doubt = accounted(peer.ledger.actions)
    assert abs(units - now.plunger) <= doubt + 1e-9


class Ignorant(TinyPrinter):
    """A controller that does not know the word."""

    def carry_out(self, text):
        if text == "M410":
            self.say('echo:Unknown command: "M410"')
        else:
            super().carry_out(text)


def test_a_controller_that_does_not_know_the_word_ends_what_it_was_sent():
    job = job_of(written("reprap", 6))
    peer, ledger = Ignorant(), Ledger(job)
    run = new_run("reprap", job)

    def watch(run, actions, now_s):
        ledger(run, actions, now_s)
        if ledger.count("started") and ledger.count("done") == 2 and run.phase is Phase.LAYING:
            run.stop(now_s)

    ended_s = drive(run, peer, watch=watch)
    assert run.phase is Phase.STOPPED
    assert ended_s < 1.0, "nothing is waited for where nothing is forgotten"
    assert peer.place["Z"] == 12.0
    units, doubt = accounted(ledger.actions)
    assert abs(units - peer.place["E"]) <= doubt + 1e-9


def test_only_from_speed_is_the_place_in_doubt():
    slow, _ = stopped(3.3)  # in the midst of the strip: 5 mm/s
    assert slow.place_lost == ""
    hop, peer = stopped(0.5)  # the tip comes from afar
    assert "steps" in hop.place_lost
    assert [one.kind for one in peer.ledger.actions if isinstance(one, Noted)].count("place") == 1


def test_a_stop_while_a_line_is_asked_for_again_goes_out_without_a_number():
    sender = ready()
    sender.push(["G1 X1", "G1 X2"], whole=True)
    assert sender.to_send(0.0) == numbered("G1 X1", 4) + numbered("G1 X2", 5)
    sender.received(b"Error:checksum mismatch, Last Line: 3\nResend: 4\n", 0.0)
    sender.break_off(0.1, dead=True)
    assert sender.to_send(0.1) == b"M410\n"
    sender.received(b"ok\nok\n", 0.1)  # of the line asked for again, and of the word
    sent = b""
    for turn in range(40):
        now_s = 0.2 + 0.1 * turn
        events = sender.tick(now_s)
        out = sender.to_send(now_s)
        sent += out
        for line in out.splitlines():
            place = b"X:2.00 Y:0.00 Z:0.00 E:0.40 Count X:1\n" if b"M114" in line else b""
            events += sender.received(place + b"ok\n", now_s)
        if any(isinstance(event, Standing) for event in events):
            break
    texts = [re.sub(rb"^N\d+ |\*\d+$", b"", line) for line in sent.splitlines()]
    assert texts == [b"G1 X1", b"G1 X2", b"M410", b"M400", b"M114"]  # what was asked for again is given first


def ready():
    sender = RepRapSender()
    sender.start(0.0)
    sender.to_send(0.0)
    for answer in (b"ok\n", b"FIRMWARE_NAME:Tiny\nok\n", b"ok\n"):
        sender.received(answer, 0.0)
        sender.to_send(0.0)
    sender.received(b"X:0.00 Y:0.00 Z:12.00 E:0.40 Count X:80\nok\n", 0.0)
    return sender
