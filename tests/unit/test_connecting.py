"""JOIN: every network gets its turn, once a wake, within the budget; only the watchdog's victim is passed over."""

import pytest
from session_ports import SETTINGS, Board, WatchdogReset, deployed, diary, hold_back, run_until_quiet
from torpor.errors import LinkError
from torpor.retained import FAULTS

MORE = '[[network]]\nssid = "foreman-hotspot"\npassword = "a long word"\n[[sensor]]'
THREE = SETTINGS.replace("[[sensor]]", MORE)


def transmitting(airwaves, text=THREE, **changed):
    """A board in the wake that first tries the radio under these conditions."""
    board = deployed(text)
    hold_back(board, 3)
    board.airwaves = airwaves
    for name, value in changed.items():
        setattr(board, name, value)
    for _ in range(80):
        board.wake()
        if board.joins:
            return board
    raise AssertionError("the radio stayed off")


def test_all_networks_in_order_and_the_remembered_one_first_with_its_hint():
    board = transmitting({})
    assert board.joins == [
        ("yard-office", True),
        ("yard-office", False),
        ("kiln-shed", False),
        ("foreman-hotspot", False),
    ]
    assert diary(board).failures == 1


def test_a_network_that_does_not_reach_the_broker_is_left_for_the_next():
    board = transmitting({"yard-office": "dead end", "kiln-shed": "dead end", "foreman-hotspot": "good"})
    # joined by its hint, it is not joined again without
    assert board.joins == [("yard-office", True), ("kiln-shed", False), ("foreman-hotspot", False)]
    assert diary(board).acked_to == diary(board).head
    assert diary(board).network == 3


def test_what_worked_last_is_first_the_next_time():
    board = transmitting({"foreman-hotspot": "good"})
    assert diary(board).network == 3
    hold_back(board, 3)
    board.airwaves = {"yard-office": "good", "kiln-shed": "good", "foreman-hotspot": "good"}
    assert run_until_quiet(board)
    assert board.joins[0][0] == "foreman-hotspot"


def test_a_broker_that_says_no_is_not_asked_over_another_network():
    board = deployed(THREE)
    hold_back(board, 3)
    board.broker = type(board.broker)([], board._published, {"somebody": "else"})
    for _ in range(80):
        board.wake()
        if board.joins:
            break
    assert board.joins == [("yard-office", True)]
    assert diary(board).faults[FAULTS.index("broker")] == 1


@pytest.mark.parametrize(
    "error", [OSError(5), RuntimeError("radio"), ValueError("password"), MemoryError(), LinkError("x")]
)
def test_whatever_one_network_raises_the_next_gets_its_turn(error):
    board = transmitting({"yard-office": error, "kiln-shed": error, "foreman-hotspot": "good"})
    assert diary(board).acked_to == diary(board).head


def test_the_budget_is_for_joining_and_everybody_has_a_share():
    text = THREE.replace("[status]", "[radio]\njoin_s_max_total = 25\n[status]")
    board = transmitting({}, text)
    assert len(board.joins) == 4
    assert 20_000 <= board.joining_ms <= 25_000 + 4 * 300
    # time spent on a broker that does not answer is not joining
    dead = {"yard-office": "dead end", "kiln-shed": "dead end", "foreman-hotspot": "good"}
    board = transmitting(dead, text)
    assert board.joins[-1][0] == "foreman-hotspot"


def test_a_wake_has_one_limit_over_all_networks():
    text = THREE.replace("tls = false", "tls = false\nsession_s_max = 300")
    text = text.replace("[status]", "[radio]\njoin_s_max_total = 180\n[status]")
    board = deployed(text)
    hold_back(board, 3)
    board.airwaves = dict.fromkeys(("yard-office", "kiln-shed", "foreman-hotspot"), "dead end")
    for _ in range(40):
        started_ms = board.now_ms
        seconds = board.wake()
        assert board.now_ms - started_ms - seconds * 1000 < 200_000


def test_after_the_watchdog_the_list_goes_on_behind_the_network_that_hung():
    board = deployed(THREE)
    hold_back(board, 3)
    board.airwaves = {"kiln-shed": "hangs", "foreman-hotspot": "good"}
    with pytest.raises(WatchdogReset):
        list(iter(board.wake, 0))
    assert [ssid for ssid, _ in board.joins][-1] == "kiln-shed"
    board.wake("watchdog")
    assert board.joins == [("foreman-hotspot", False)]
    # what waits in the ring goes out, though nothing was stored in this wake
    assert diary(board).acked_to == diary(board).head
    assert diary(board).trying == 0


def test_one_that_hung_once_is_tried_again_in_the_next_slot():
    board = deployed(THREE)
    hold_back(board, 3)
    board.airwaves = {"yard-office": "hangs"}
    with pytest.raises(WatchdogReset):
        list(iter(board.wake, 0))
    board.wake("watchdog")
    board.airwaves = {"yard-office": "good"}
    assert run_until_quiet(board)


@pytest.mark.parametrize("error", [OSError(5), ValueError("x")])
def test_a_failure_in_the_session_does_not_pass_over_a_network_the_next_time(error):
    board = hold_back(deployed(), 3)
    while True:
        ahead = board.copy()
        ahead.wake()
        if ahead.joins:
            break
        board = ahead
    for at, name in enumerate(ahead.calls):
        if name.split(".")[0] in ("network", "stream"):
            this = board.copy()
            this.fault = (at, error)
            this.wake()
            this.fault = None
            assert diary(this).trying == 0
            this.joins = []
            for _ in range(80):
                this.wake()
                if this.joins:
                    break
            assert this.joins[0][0] == "yard-office"


def test_a_platform_that_names_no_access_point_gives_no_hint():
    board = transmitting({"yard-office": "nameless"})
    hold_back(board, 7)
    board.airwaves = {"yard-office": "nameless"}
    assert run_until_quiet(board)
    assert board.joins[0] == ("yard-office", False)


def test_tls_waits_for_the_time_and_asks_the_next_network_for_it():
    board = Board(THREE.replace("tls = false", "tls = true"))
    board.airwaves["foreman-hotspot"] = "good"
    board.time_behaviour = "silent"
    board.wake("power-on")
    assert [ssid for ssid, _ in board.joins] == ["yard-office", "kiln-shed", "foreman-hotspot"]
    assert board.peers.opened == 0


def test_a_certificate_that_two_networks_show_is_not_asked_for_over_a_third():
    board = transmitting({"yard-office": "impostor", "kiln-shed": "impostor", "foreman-hotspot": "good"})
    assert board.joins == [("yard-office", True), ("kiln-shed", False)]
    assert diary(board).faults[FAULTS.index("tls")] == 2
    assert diary(board).failures == 1


def test_a_certificate_that_one_network_shows_may_be_somebody_elses():
    board = transmitting({"yard-office": "impostor", "kiln-shed": "good", "foreman-hotspot": "good"})
    assert board.joins == [("yard-office", True), ("kiln-shed", False)]
    assert diary(board).failures == 0


def test_a_clock_that_does_not_take_the_time_costs_no_session_and_is_tried_again_soon():
    board = Board(SETTINGS)
    ahead = board.copy()
    ahead.wake("power-on")
    at = max(index for index, name in enumerate(ahead.calls) if name == "clock.set_rtc")
    board.fault = (at, OSError(5))
    board.wake("power-on")
    board.fault = None
    # the reading waits for its time, the health message has gone out
    assert diary(board).acked_to == 0
    assert [topic.rsplit("/", 1)[1] for topic, *_ in board.arrived] == ["health"]
    assert diary(board).failures == 1
    assert diary(board).faults[FAULTS.index("time")] == 1
    assert "failed" not in [name for name, _ in board.logged]
    board.joins = []
    for _ in range(4):
        board.wake()
    assert board.joins
    assert diary(board).failures == 0
    assert diary(board).acked_to >= 1
    assert board.rtc_offset_s > 1_700_000_000
