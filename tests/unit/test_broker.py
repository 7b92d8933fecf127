"""The simulated broker must acknowledge exactly what it took, in order, and be as bad as its windows say."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.broker import VIOLATIONS_MAX, Broker
from hostsim.timeline import Timeline
from hostsim.topics import matches

NODE = "0011223344556677"
CONNACK_OK, CONNACK_PRESENT = b"\x20\x02\x00\x00", b"\x20\x02\x01\x00"
DISCONNECT = b"\xe0\x00"


def sized(raw):
    return len(raw).to_bytes(2, "big") + raw


def packet(first, body):
    assert len(body) < 128
    return bytes((first, len(body))) + body


def connect(client_id=NODE, clean=False, keepalive_s=60, account=None, will=None):
    flags, tail = 2 * clean, sized(client_id.encode())
    if will:
        flags |= 4
        tail += sized(will[0]) + sized(will[1])
    if account:
        flags |= 0xC0
        tail += sized(account[0]) + sized(account[1])
    return packet(0x10, sized(b"MQTT") + bytes((4, flags)) + keepalive_s.to_bytes(2, "big") + tail)


def subscribe(*filters, packet_id=1):
    return packet(0x82, packet_id.to_bytes(2, "big") + b"".join(sized(f.encode()) + b"\0" for f in filters))


def publish(packet_id, payload=b"x", topic=b"torpor/yard-mast/readings", flags=2):
    middle = packet_id.to_bytes(2, "big") if flags & 6 else b""
    return packet(0x30 | flags, sized(topic) + middle + payload)


def puback(packet_id):
    return b"\x40\x02" + packet_id.to_bytes(2, "big")


@pytest.fixture
def taken():
    return []


@pytest.fixture
def make(taken):
    return lambda windows=(), accounts=None: Broker(windows, lambda *seen: taken.append(seen), accounts)


def opened(broker, now_s=0, **options):
    connection = broker.connect(now_s)
    return connection, connection.feed(connect(**options), now_s)


def test_a_whole_session_in_one_segment(make, taken):
    broker = make()
    broker.publish("torpor/yard-mast/have", b"{}")
    connection = broker.connect(5)
    flight = connect() + subscribe("torpor/yard-mast/have", "torpor/yard-mast/settings")
    flight += publish(7, b"one") + publish(8, b"two", flags=0xA) + publish(0, b"three", flags=1) + DISCONNECT
    assert connection.feed(flight, 5) == (
        CONNACK_OK
        + bytes.fromhex("90 04 0001 00 00")
        + packet(0x31, sized(b"torpor/yard-mast/have") + b"{}")
        + puback(7)
        + puback(8)
    )
    assert connection.closed
    topic = "torpor/yard-mast/readings"
    assert taken == [
        (NODE, topic, b"one", 5, False, False),
        (NODE, topic, b"two", 5, True, False),
        (NODE, topic, b"three", 5, False, True),
    ]
    assert broker.violations == []


@given(st.lists(st.integers(0, 200), max_size=6))
def test_the_answer_does_not_depend_on_how_the_flight_is_cut(cuts):
    flight = connect() + subscribe("#") + publish(1) + publish(2, b"kept", flags=3) + DISCONNECT
    edges, got, answer = [0, *sorted(cuts), len(flight)], [], b""
    broker = Broker([], lambda *seen: got.append(seen[2]))
    connection = broker.connect(0)
    for start, end in zip(edges, edges[1:], strict=False):
        answer += connection.feed(flight[start:end], 0)
    assert answer == CONNACK_OK + bytes.fromhex("90 03 0001 00") + puback(1) + puback(2)
    assert got == [b"x", b"kept"]


def test_no_puback_before_on_publish_has_returned():
    def fails(*_):
        raise OSError("the store is full")

    connection, _ = opened(Broker([], fails))
    with pytest.raises(OSError, match="the store is full"):
        connection.feed(publish(1), 0)


# --- fault windows


def test_down_refuses_connections_and_closes_open_ones(make, taken):
    broker = make([(10, 20, "down")])
    connection, _ = opened(broker, 9)
    assert connection.feed(publish(1), 10) == b""
    assert connection.closed
    assert taken == []
    assert broker.connect(10) is None
    assert broker.connect(19) is None
    assert opened(broker, 20)[1] == CONNACK_PRESENT


def test_refuses_answers_code_3_and_takes_nothing_behind_it(make, taken):
    broker = make([(0, 10, "refuses")])
    connection = broker.connect(0)
    assert connection.feed(connect() + publish(1), 0) == b"\x20\x02\x00\x03"
    assert connection.closed
    assert taken == []
    assert opened(broker, 10)[1] == CONNACK_OK  # and no session was begun


def test_refuses_lets_an_open_session_go_on(make, taken):
    connection, _ = opened(make([(10, 20, "refuses")]), 9)
    assert connection.feed(publish(1), 10) == puback(1)
    assert len(taken) == 1


def test_mute_takes_the_connection_and_never_answers_it(make, taken):
    broker = make([(0, 10, "mute")])
    connection = broker.connect(0)
    assert connection.feed(connect() + publish(1), 0) == b""
    assert not connection.closed
    assert connection.feed(connect() + publish(1), 10) == b""  # not after the window either
    assert not connection.closed
    assert taken == []


def test_a_session_that_runs_into_mute_stays_mute(make, taken):
    connection, _ = opened(make([(10, 11, "mute")]), 9)
    assert connection.feed(publish(1), 10) == b""
    assert connection.feed(publish(1), 11) == b""
    assert taken == []


def test_drops_closes_before_taking(make, taken):
    broker = make([(0, 10, "drops")])
    broker.publish("have", b"{}")
    connection = broker.connect(0)
    answer = connection.feed(connect() + subscribe("have") + publish(1) + publish(2), 0)
    assert answer == CONNACK_OK + bytes.fromhex("90 03 0001 00 31 08 0004 68617665 7b7d")
    assert connection.closed
    assert taken == []
    assert connection.feed(publish(2), 0) == b""


def test_forgets_takes_one_and_closes_before_its_puback(make, taken):
    broker = make([(0, 10, "forgets")])
    connection = broker.connect(0)
    assert connection.feed(connect() + publish(1, b"one", flags=3) + publish(2, b"two"), 0) == CONNACK_OK
    assert connection.closed
    assert [seen[2] for seen in taken] == [b"one"]
    assert list(broker.retained.values()) == [b"one"]


def test_windows_begin_at_from_and_end_before_to_and_the_first_listed_wins():
    timeline = Timeline([(10, 20, "down"), (15, 30, "mute"), (5, 12, "drops")], ("down", "mute", "drops"))
    kinds = [timeline.kind_at(now_s) for now_s in (4, 5, 9, 10, 12, 19, 20, 29, 30, 10**10)]
    assert kinds == [None, "drops", "drops", "down", "down", "down", "mute", "mute", None, None]
    assert Timeline([], ()).kind_at(0) is None


windows = st.lists(st.tuples(st.integers(0, 30), st.integers(1, 9), st.sampled_from("abc")), max_size=6)


@given(windows, st.integers(-5, 45))
def test_a_timeline_is_the_plain_search_through_its_windows(drawn, now_s):
    listed = [(from_s, from_s + long_s, kind) for from_s, long_s, kind in drawn]
    holding = [kind for from_s, to_s, kind in listed if from_s <= now_s < to_s]
    assert Timeline(listed, "abc").kind_at(now_s) == (holding[0] if holding else None)


@pytest.mark.parametrize("window", [(0, 10, "asleep"), (10, 10, "down"), (10, 9, "mute")])
def test_a_bad_window_is_an_error(window):
    with pytest.raises(ValueError):
        Broker([window], print)


# --- sessions


def test_session_present_only_for_a_session_that_was_kept(make):
    broker = make()
    for options, answer in (
        ({}, CONNACK_OK),
        ({}, CONNACK_PRESENT),
        ({"clean": True}, CONNACK_OK),  # discards it
        ({}, CONNACK_OK),
        ({"client_id": "other"}, CONNACK_OK),
    ):
        connection, got = opened(broker, **options)
        assert got == answer
        connection.feed(DISCONNECT, 0)


def test_a_second_connection_of_one_client_closes_the_first(make):
    broker = make()
    first, _ = opened(broker)
    other, _ = opened(broker, client_id="other")
    second, answer = opened(broker)
    assert answer == CONNACK_PRESENT
    assert (first.closed, other.closed, second.closed) == (True, False, False)
    assert first.feed(publish(1), 0) == b""
    assert second.feed(publish(1), 0) == puback(1)


def test_unnamed_clients_do_not_evict_each_other(make):
    broker = make()
    first, _ = opened(broker, client_id="", clean=True)
    second, _ = opened(broker, client_id="", clean=True)
    assert not first.closed
    assert not second.closed


def test_a_kept_subscription_gets_what_the_desk_publishes_while_connected(make):
    broker = make()
    connection, _ = opened(broker)
    connection.feed(subscribe("have/+") + DISCONNECT, 0)
    connection, _ = opened(broker)
    broker.publish("have/1", b"a", retain=False)
    broker.publish("other", b"b")
    assert connection.feed(b"", 0) == bytes.fromhex("30 09 0006 686176652f31 61")  # live, so not retained
    assert connection.feed(b"", 0) == b""
    assert "have/1" not in broker.retained


def test_the_will_is_published_unless_the_client_says_goodbye(make, taken):
    broker = make()
    for ending in (
        lambda connection: connection.lost(1),
        lambda connection: connection.feed(b"\x00\x00", 1),
        lambda connection: connection.feed(b"\xc0\x00", 92),
        lambda connection: opened(broker, 1),
    ):
        connection, _ = opened(broker, will=(b"gone", b"yes"))
        ending(connection)
        assert connection.closed
        assert [seen[1:3] for seen in taken] == [("gone", b"yes")]
        taken.clear()
    connection, _ = opened(broker, will=(b"gone", b"yes"))
    connection.feed(DISCONNECT, 1)
    connection.lost(2)
    assert taken == []


def test_keepalive_is_enforced_at_one_and_a_half(make, taken):
    broker = make()
    connection, _ = opened(broker, 0)
    assert connection.feed(publish(1), 90) == puback(1)
    assert connection.feed(publish(2), 180) == puback(2)  # each packet starts the time anew
    assert connection.feed(b"", 200) == b""  # and fetching is no packet
    assert connection.feed(publish(3), 271) == b""
    assert connection.closed
    assert len(taken) == 2
    patient, _ = opened(broker, 0, keepalive_s=0)
    assert patient.feed(publish(3), 10**6) == puback(3)


# --- retained messages, subscriptions


def test_retained_messages_are_kept_replaced_cleared_and_handed_out_again(make):
    broker = make()
    connection, _ = opened(broker)
    suback, hand_out = bytes.fromhex("90 03 0001 00"), bytes.fromhex("31 04 0001 74 62")
    connection.feed(publish(1, b"a", b"t", flags=3) + publish(2, b"b", b"t", flags=3), 0)
    connection.feed(publish(3, b"not kept", b"u"), 0)
    assert connection.feed(subscribe("t", "u"), 0) == bytes.fromhex("90 04 0001 0000") + hand_out
    assert connection.feed(subscribe("t"), 0) == suback + hand_out  # again, on every SUBSCRIBE [3.8.4-3]
    assert connection.feed(publish(4, b"", b"t", flags=3) + subscribe("#"), 0) == puback(4) + suback
    assert broker.retained == {}


def test_retained_delivery_stands_in_the_order_of_processing(make):
    connection, _ = opened(make())
    flight = publish(1, b"r", b"t", flags=3) + subscribe("t") + publish(2)
    order = puback(1) + bytes.fromhex("90 03 0001 00 31 04 0001 74 72") + puback(2)
    assert connection.feed(flight, 0) == order


@pytest.mark.parametrize("topic", ["", "a/+", "#"])
def test_the_desk_cannot_publish_to_a_filter(make, topic):
    with pytest.raises(ValueError):
        make().publish(topic, b"")


# MQTT 3.1.1 section 4.7.1 to 4.7.3, the examples there (from memory)
MATCHING = [
    ("sport/tennis/player1/#", "sport/tennis/player1"),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"),
    ("sport/#", "sport"),
    ("#", "a/b"),
    ("sport/tennis/+", "sport/tennis/player1"),
    ("sport/+", "sport/"),
    ("+/+", "/finance"),
    ("/+", "/finance"),
    ("$SYS/#", "$SYS/"),
    ("$SYS/monitor/+", "$SYS/monitor/clients"),
    ("a//b", "a//b"),
]
APART = [
    ("sport/tennis/+", "sport/tennis/player1/ranking"),
    ("sport/+", "sport"),
    ("+", "/finance"),
    ("#", "$SYS/x"),
    ("+/monitor/clients", "$SYS/monitor/clients"),
    ("ACCOUNTS", "accounts"),
    ("a/b", "a"),
    ("a", "a/b"),
    ("sport/#", "sports"),
]


def test_filters_match_where_the_standard_says_so():
    assert [pair for pair in MATCHING if not matches(*pair)] == []
    assert [pair for pair in APART if matches(*pair)] == []


# --- accounts and violations


@pytest.mark.parametrize(
    ("account", "code"),
    [(None, 5), ((b"yard", b"wrong"), 4), ((b"nobody", b"oak"), 4), ((b"yard", b"oak"), 0)],
)
def test_accounts(make, account, code):
    connection, answer = opened(make(accounts={"yard": "oak"}), account=account)
    assert answer == bytes((0x20, 2, 0, code))
    assert connection.closed == (code != 0)


@pytest.mark.parametrize(
    ("data", "answer"),
    [
        (publish(1), b""),
        (connect() + connect(), CONNACK_OK),
        (connect() + publish(1) + publish(0) + publish(2), CONNACK_OK + puback(1)),
        (connect().replace(b"MQTT\x04", b"MQTT\x05"), b"\x20\x02\x00\x01"),
        (connect(""), b"\x20\x02\x00\x02"),
    ],
    ids=["PUBLISH first", "second CONNECT", "packet id 0", "level 5", "no client id"],
)
def test_a_violation_closes_and_is_counted(make, data, answer):
    broker = make()
    connection = broker.connect(0)
    assert connection.feed(data, 0) == answer
    assert connection.closed
    assert broker.violation_count == len(broker.violations) == 1


def test_violations_are_all_counted_but_only_so_many_are_kept(make):
    broker = make()
    for _ in range(VIOLATIONS_MAX + 5):
        broker.connect(0).feed(b"\x00", 0)
    assert broker.violation_count == VIOLATIONS_MAX + 5
    assert len(broker.violations) == VIOLATIONS_MAX


def test_ping_and_a_stray_puback(make):
    connection, _ = opened(make())
    assert connection.feed(b"\xc0\x00" + puback(9) + b"\xc0\x00", 0) == b"\xd0\x00\xd0\x00"
    assert not connection.closed
