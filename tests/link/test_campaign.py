"""Boards laid over bad wires, by controllers that misbehave, and by hosts that are killed. See `campaign` and `kills`."""

import pytest
from campaign import Result, VirtualPeer, one_board
from harness import job_of
from kills import killed_board
from peers import TinyCnc, TinyPrinter
from programs import written

PROTOCOLS = ("reprap", "cnc")
DEPOSITS = 12


def tiny(protocol):
    if protocol == "reprap":
        return lambda rng: TinyPrinter(advanced=rng.random() < 0.4, busy=rng.random() < 0.3)
    return lambda rng: TinyCnc()


def virtual(protocol):
    return lambda rng: VirtualPeer(protocol, rng)


def run_campaign(protocol, new_peer, seeds, capsys=None) -> Result:
    job = job_of(written(protocol, DEPOSITS))
    total = Result()
    for seed in seeds:
        total.add(one_board(seed, protocol, job, new_peer))
    assert DEPOSITS * (len(seeds) - total.refused) <= total.done + total.doubts <= DEPOSITS * len(seeds)
    assert total.refused <= 0.01 * len(seeds)
    assert total.doubts > 0, "no fault ever left a doubt: nothing was tried"
    assert total.done > 0.8 * DEPOSITS * len(seeds)
    assert total.runs > 1.2 * len(seeds), "no run was ever broken off"
    return total


@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize("peers", [tiny, virtual])
def test_no_deposit_is_lost_or_doubled_in_silence(protocol, peers):
    run_campaign(protocol, peers(protocol), range(60))


@pytest.mark.campaign
@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize("peers", [tiny, virtual])
def test_no_deposit_is_lost_or_doubled_in_silence_over_many_boards(protocol, peers, capsys):
    total = run_campaign(protocol, peers(protocol), range(10_000, 11_000))
    assert total.runs > 1000
    with capsys.disabled():
        print(
            f"\n{protocol}, {peers.__name__} controller: {total.runs} runs, {total.done} done, {total.doubts} in"
            f" doubt, {total.altered} altered unseen, {total.repeats} lines repeated"
        )


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_killed_host_loses_and_doubles_nothing(protocol, tmp_path):
    kills = sum(killed_board(seed, protocol, tmp_path / str(seed)).kills for seed in range(2))
    assert kills > 0


@pytest.mark.campaign
@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_hundred_killed_hosts_lose_and_double_nothing(protocol, tmp_path, capsys):
    kills = doubts = seed = 0
    while kills < 100:
        board = killed_board(1000 + seed, protocol, tmp_path / str(seed), kills=3)
        kills, doubts, seed = kills + board.kills, doubts + board.doubts, seed + 1
    with capsys.disabled():
        print(f"\n{protocol}: {kills} kills over {seed} boards, {doubts} deposits in doubt")


def test_the_campaign_notices_a_deposit_sent_twice():
    """Broken on purpose: a controller that carries a line out twice must be caught."""

    class Twice(TinyPrinter):
        def run(self, line):
            super().run(line)
            if line.startswith("G1 X25.002"):
                self.executed.append(line)

    with pytest.raises(AssertionError, match=r"over a good wire|doubled"):
        for seed in range(20):
            one_board(seed, "reprap", job_of(written("reprap", DEPOSITS)), lambda rng: Twice())


def test_the_campaign_notices_a_line_swallowed():
    """Broken on purpose: a controller that acknowledges a line and does nothing must be caught."""

    class Deaf(TinyCnc):
        def run(self, line):
            if not line.startswith("G1A0.5400"):
                super().run(line)

    with pytest.raises(AssertionError, match=r"over a good wire|lost"):
        for seed in range(20):
            one_board(seed, "cnc", job_of(written("cnc", DEPOSITS)), lambda rng: Deaf())
