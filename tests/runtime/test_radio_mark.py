"""The mark of a radio that was started in doubt, on a MicroPython board. Law: one mark is for one reset, and a person
finds the service window at the second power-on at the latest.
"""

import pytest
from mp_bench import Bench

from hostsim.runtimes.micropython import memories

MARK = "torpor/radio_on"
CAUSE = "ports.log.event('cause', **{ports.power.reset_cause.replace('-', '_'): 1})"
DIARY = """
from torpor.retained import Retained
r = Retained(ports.power.retained)
r.run, r.failures, r.trying = {run}, {failures}, {trying}
r.save()
"""
JOIN = "ports.radio.join(NET, None, 0, 20000)"


@pytest.fixture
def bench():
    return Bench()


def mark(bench):
    return bench.chip.nvs.get(MARK)


def power_on(bench, memory="lost"):
    """The cause that the port gives the next wake, whose chip says power-on."""
    if memory == "lost":
        bench.node.retained[:] = bytes(len(bench.node.retained))
        bench.chip.memory_bytes = 0
    bench.node.reset_cause = "power-on"
    return set(bench.said(CAUSE)["cause"]) & {"power_on", "brown_out"}


def asleep(bench):
    bench.node.reset_cause = "deep-sleep"


def writes(bench, monkeypatch):
    """Counts what is written to non-volatile storage from now on."""
    seen = []
    commit = memories.Nvs.commit

    def counted(self, a, b, data):
        seen.append(1)
        commit(self, a, b, data)

    monkeypatch.setattr(memories.Nvs, "commit", counted)
    return seen


def test_a_session_that_begins_without_memory_is_marked_until_the_radio_is_off(bench):
    bench.said(JOIN)
    assert mark(bench) == b"1"
    assert power_on(bench) == {"brown_out"}
    assert mark(bench) == b"0"
    bench.said(JOIN + "\nports.radio.off()")
    assert mark(bench) == b"0"
    assert power_on(bench) == {"power_on"}


def test_a_person_who_unplugs_once_more_is_a_person(bench):
    bench.said(JOIN)
    assert power_on(bench) == {"brown_out"}
    assert power_on(bench) == {"power_on"}


def test_a_person_at_the_second_power_on_gets_a_window(bench):
    """The whole firmware: it rests after the first, although the chip says power-on, and waits after the second."""
    main = "from torpor.boards import start\nstart.live()"
    bench.said(JOIN)
    spent_ms = []
    for _ in range(2):
        bench.node.retained[:] = bytes(len(bench.node.retained))
        bench.chip.memory_bytes = 0
        bench.node.reset_cause = "power-on"
        before_ms = bench.node.meter.spent_ms["awake"]
        assert bench.run(main, ports=False)[0] == "sleep"
        spent_ms.append(bench.node.meter.spent_ms["awake"] - before_ms)
    assert spent_ms[0] < 2000
    assert spent_ms[1] >= 60_000


@pytest.mark.parametrize(
    ("run", "failures", "marked"), [(1, 0, None), (4000, 0, None), (1, 1, b"1"), (1, 255, b"1"), (0, 0, b"1")]
)
def test_only_what_failed_before_or_begins_is_marked(bench, monkeypatch, run, failures, marked):
    """A diary without a run is of a wake without memory that was too weak for anything."""
    bench.said(DIARY.format(run=run, failures=failures, trying=0))
    asleep(bench)
    written = writes(bench, monkeypatch)
    # two networks are one session
    bench.said(JOIN + "\n" + JOIN)
    assert mark(bench) == marked
    assert len(written) == (1 if marked else 0)
    # what is there is not written again
    bench.said(JOIN + "\nports.radio.off()\nports.radio.off()")
    assert len(written) == (2 if marked else 0)


@pytest.mark.parametrize("cause", ["watchdog", "software", "pin"])
def test_a_mark_does_not_outlast_another_reset(bench, cause):
    bench.said(JOIN)
    bench.node.reset_cause = cause
    bench.said("")
    assert mark(bench) == b"0"
    assert power_on(bench) == {"power_on"}


def test_memory_that_is_whole_knows_better_than_a_mark(bench):
    bench.said(DIARY.format(run=1, failures=1, trying=0))
    bench.chip.nvs[MARK] = b"1"
    assert power_on(bench, "kept") == {"power_on"}
    bench.said(DIARY.format(run=1, failures=1, trying=2))
    assert power_on(bench, "kept") == {"brown_out"}


def test_a_mark_that_cannot_be_taken_away_does_not_count(bench, monkeypatch):
    """Else nobody would ever find a window again."""
    bench.said(JOIN)

    def full(self, a, b, data):
        raise OSError(memories.NO_SPACE)

    monkeypatch.setattr(memories.Nvs, "set", full)
    assert power_on(bench) == {"power_on"}
    assert mark(bench) == b"1"
    # and the session goes on
    bench.said(JOIN + "\nports.radio.off()")


@pytest.mark.parametrize("making_it", ["raise OSError", "raise ImportError"])
def test_a_chip_without_such_storage_has_no_mark(bench, making_it):
    bench.put("esp32.py", f"class NVS:\n    def __init__(self, name):\n        {making_it}")
    bench.said(JOIN + "\nports.radio.off()")
    bench.said(JOIN)
    assert power_on(bench) == {"power_on"}
