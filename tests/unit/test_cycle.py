"""The table of states, and a board on which every call fails in turn: whatever happens, the wake ends in sleep."""

import ast
import pathlib
import subprocess
import sys

import pytest
from session_ports import SETTINGS, Board, PowerLoss, WatchdogReset, deployed, diary, hold_back, run_until_quiet
from torpor import cycle, delivery
from torpor.errors import CardError, LinkError, RingError

FIRMWARE = pathlib.Path(cycle.__file__).parent
# which function gives the outcomes of which state
FUNCTIONS = {
    "WAKE": ("awake", "wake", "_after_failure"),
    "SERVICE": ("awake", "service"),
    "SAMPLE": ("cycle", "_sample"),
    "STORE": ("storing", "store"),
    "JOIN": ("connecting", "join"),
    "SYNC": ("connecting", "sync"),
}
ERRORS = (CardError("x"), LinkError("broker", "x"), OSError(5), ValueError("x"), MemoryError("x"))


def outcomes_in_source(module, *functions):
    """Every string that a return statement of these functions can give."""
    found = set()
    tree = ast.parse((FIRMWARE / f"{module}.py").read_text())
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef) and function.name in functions:
            for statement in ast.walk(function):
                if isinstance(statement, ast.Return) and statement.value is not None:
                    found |= _strings(statement.value)
    return found


def _strings(value):
    if isinstance(value, ast.Constant):
        return {value.value} if isinstance(value.value, str) else set()
    if isinstance(value, ast.IfExp):
        return _strings(value.body) | _strings(value.orelse)
    return set()


def test_the_table_has_every_outcome_and_no_other():
    stated = {}
    for state, outcome in cycle.TABLE:
        stated.setdefault(state, set()).add(outcome)
    for state, (module, *functions) in FUNCTIONS.items():
        assert outcomes_in_source(module, *functions) == stated.pop(state), state
    assert stated.pop("SEND") == {delivery.ACCEPTED, delivery.REFUSED, delivery.UNREACHED}
    assert stated == {}


def test_every_way_ends_in_sleep():
    for state in cycle.STATES[:-1]:
        seen, reached = set(), {state}
        while reached - seen:
            here = (reached - seen).pop()
            seen.add(here)
            reached |= {to for (at, _), to in cycle.TABLE.items() if at == here}
        assert cycle.SLEEP in seen, state
    assert set(cycle.TABLE.values()) <= set(cycle.STATES)


class Watched(cycle.Cycle):
    """Notes every transition."""

    seen = set()

    def _do(self, state):
        outcome = super()._do(state)
        Watched.seen.add((state, outcome))
        return outcome


@pytest.fixture
def seen(monkeypatch):
    Watched.seen = set()
    monkeypatch.setattr(cycle, "Cycle", Watched)
    return Watched.seen


def hangs_within(board, wakes):
    """True when one of the next wakes hangs, so that the watchdog bites."""
    try:
        for _ in range(wakes):
            board.wake()
    except WatchdogReset:
        return True
    return False


def test_every_entry_of_the_table_is_reached(seen):
    board = deployed()
    hold_back(board, 7)
    assert run_until_quiet(board)
    board.now_ms -= 400_000
    board.wake()  # not due: long before its slot
    for cause in ("brown-out", "watchdog"):
        board.wake(cause)
    board.airwaves = {"yard-office": "dead end", "kiln-shed": "hangs"}
    assert hangs_within(board, 30)
    board.wake("watchdog")  # resumes behind the one that hung
    board.airwaves = {"yard-office": "dead end"}
    for _ in range(30):
        board.wake()
    board.airwaves = {"yard-office": "good"}
    board.broker = type(board.broker)([(0, 10**9, "refuses")], board._published)
    for _ in range(30):
        board.wake()
    board.wake("power-on")
    board.battery_mv = 3350
    board.wake("power-on")
    board.now_ms -= 590_000
    board.wake("pin")
    board.battery_mv = 3000
    board.wake()
    board.battery_mv = 3900
    board.wake()
    board.wake("pin")
    board.now_ms -= 590_000
    board.wake("pin")
    tls = Board(SETTINGS.replace("tls = false", "tls = true"))
    tls.time_behaviour = "silent"
    tls.wake("power-on")
    assert seen == set(cycle.TABLE)


def test_the_longest_way_fits_into_the_steps():
    networks = "".join(f'[[network]]\nssid = "shed-{n}"\npassword = "a long word"\n' for n in range(8))
    head, tail = SETTINGS.split("[[network]]", 1)[0], SETTINGS[SETTINGS.index("[[sensor]]") :]
    board = Board(head + networks + tail.replace("[status]", "[radio]\njoin_s_max_total = 180\n[status]"))
    board.airwaves = {f"shed-{n}": "good" for n in range(8)}
    board.wake("power-on")
    head = head.replace('name = "north', 'name = "north')
    board.settings = (head + networks.replace("shed", "barn") + tail).encode()
    board.airwaves = {f"{place}-{n}": "dead end" for n in range(8) for place in ("shed", "barn")}
    most = 0
    for _ in range(60):
        board.wake()
        assert board.logged.count(("failed", {"state": 4})) == 0
        most = max(most, len(board.joins))
    assert diary(board).faults[10] == 0
    assert most >= 9


def rails_off(board):
    return not any(board.rails.values())


def situations():
    """Boards just before a wake of each kind, with the cause of that wake."""
    plain = deployed()
    yield "sample", plain, "deep-sleep"
    session = hold_back(deployed(), 8)
    while True:
        ahead = session.copy()
        ahead.wake()
        if ahead.joins:
            break
        session = ahead
    session.broker.keep(
        "torpor/north-stack/have", b'{"id":3,"ring":"%08x","missing":[[1,2]]}' % diary(session).ring_id
    )
    session.broker.keep("torpor/north-stack/settings", b'{"id":3,"set":{"sample_every_s":900}}')
    yield "session", session, "deep-sleep"
    yield "first", Board(), "power-on"
    held = deployed()
    held.card_present = False
    hold_back(held, 2)
    yield "held", held.copy(), "deep-sleep"
    held.card_present = True
    yield "card back", held, "deep-sleep"
    lost = hold_back(deployed(), 4)
    lost.lose_power()
    yield "cold", lost, "power-on"


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: type(error).__name__)
@pytest.mark.parametrize("kind", ["sample", "session", "first", "held", "card back", "cold"])
def test_whatever_call_raises_whatever_the_board_sleeps_and_loses_nothing(kind, error):
    _, start, cause = next(found for found in situations() if found[0] == kind)
    clean = start.copy()
    clean.wake(cause)
    for at in range(len(clean.calls) - 1):
        board = start.copy()
        before = diary(board)
        board.fault = (at, error)
        seconds = board.wake(cause)
        failed = board.calls[at] if at < len(board.calls) else ""
        where = (kind, at, failed)
        assert 1 <= seconds <= 86400, where
        assert not board.radio_on or failed == "radio.off", where
        assert rails_off(board) or failed == "power.rail", where
        assert board.peers.left_open == 0 or failed == "stream.close", where
        safe = [n for n, name in enumerate(board.calls) if name == "radio.join"]
        if safe and cause == "deep-sleep":
            assert {"stored", "held"} & set(board.events()) or failed == "log.event", where
        after = diary(board)
        if not before.cold and after.ring_id == before.ring_id:
            assert after.acked_to >= before.acked_to, where
            acked = set(range(before.acked_to + 1, after.acked_to + 1))
            assert acked <= board.delivered().get(f"{after.ring_id:08x}", set()), where
        board.fault = None
        assert run_until_quiet(board, 60), where
        memory = diary(board)
        assert board.delivered()[f"{memory.ring_id:08x}"] >= set(range(1, memory.head + 1)), where
        contents = {}
        for ring, seq, _, reading in board.readings():
            assert contents.setdefault((ring, seq), reading["values"]) == reading["values"], where


@pytest.mark.parametrize("kind", ["sample", "session", "card back"])
def test_a_power_cut_at_any_call_is_swallowed_by_nobody(kind):
    _, start, cause = next(found for found in situations() if found[0] == kind)
    clean = start.copy()
    clean.wake(cause)
    for at in range(len(clean.calls) - 1):
        board = start.copy()
        board.fault = (at, PowerLoss())
        with pytest.raises(PowerLoss):
            board.wake(cause)
        board.fault = None
        stored = diary(start).head
        board.lose_power()
        board.wake("power-on")
        assert diary(board).head > stored
        assert run_until_quiet(board, 60)
        assert board.delivered()[f"{diary(board).ring_id:08x}"] >= set(range(1, diary(board).head + 1))


def test_an_error_in_a_state_is_counted_named_and_over():
    board = deployed()
    board.parts["air.Air"] = None  # calling it raises a TypeError inside the driver port: costs channels only
    board.wake()
    assert diary(board).faults[1] == 1
    assert "failed" not in board.events()
    board.fault = (0, RingError("x"))
    board.wake()
    assert diary(board).faults[0] == 1


def test_a_log_that_fails_keeps_nobody_awake(monkeypatch):
    import session_ports

    board = deployed()

    def broken(self, *_, **__):
        raise ValueError("log")

    monkeypatch.setattr(session_ports.Log, "event", broken)
    monkeypatch.setattr(session_ports.Log, "trace", broken)
    board.fault = (3, OSError(5))
    assert 1 <= board.wake() <= 86400


def test_a_wake_lasts_no_longer_than_its_limit():
    board = hold_back(deployed(), 8)
    board.airwaves = {"yard-office": "dead end", "kiln-shed": "dead end"}
    for _ in range(20):
        started_ms = board.now_ms
        seconds = board.wake()
        assert board.now_ms - started_ms - seconds * 1000 <= cycle.CYCLE_MS_MAX + 20_000


def test_the_diagram_and_the_page_are_those_of_the_table():
    docs = FIRMWARE.parents[1] / "docs"
    done = subprocess.run([sys.executable, str(docs / "make_cycle.py"), "--check"], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    drawn = (docs / "cycle.svg").read_text()
    for state, outcome in cycle.TABLE:
        assert f">{state}<" in drawn
        assert outcome in drawn
