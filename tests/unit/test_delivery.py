"""SEND on a whole board and the simulated broker: nothing accepted is forgotten, nothing unaccepted is skipped."""

import json

import pytest
from session_ports import (
    BROKER,
    SETTINGS,
    Board,
    Peers,
    Stranger,
    deployed,
    diary,
    held_in,
    hold_back,
    run_until_quiet,
)
from torpor import delivery, retained
from torpor.backlog import packet_id


def answered_ids(said):
    """The packet ids of all whole PUBACKs in what a broker has said, read without the node's own parser."""
    found, at = [], 0
    while at + 1 < len(said):
        length, shift, start = 0, 0, at + 1
        while True:
            if start >= len(said):
                return found
            length |= (said[start] & 127) << shift
            shift += 7
            start += 1
            if said[start - 1] < 128:
                break
        if start + length > len(said):
            return found
        if said[at] == 0x40:
            found.append(int.from_bytes(said[start : start + 2], "big"))
        at = start + length
    return found


def prefix_from(acked_to, head, identifiers):
    while acked_to < head and packet_id(acked_to + 1) in identifiers:
        acked_to += 1
    return acked_to


def waiting_board(readings=6):
    board = hold_back(deployed(), readings)
    board.arrived.clear()
    board.peers = Peers()
    return board


def next_session(board, wakes=80):
    """Let time pass until a wake has used the radio."""
    for _ in range(wakes):
        board.wake()
        if board.joins:
            return
    raise AssertionError("no session came")


def ring_id(board):
    return f"{diary(board).ring_id:08x}"


def check_the_rest(board):
    """Whatever happened, all is delivered in the end, and with one content for each reading."""
    board.peers = Peers()
    assert run_until_quiet(board)
    assert board.delivered()[ring_id(board)] >= set(range(2, diary(board).head + 1))
    contents = {}
    for ring, seq, _, reading in board.readings():
        assert contents.setdefault((ring, seq), reading) == reading
    assert board.broker.violations == []


def test_a_broker_that_closes_at_every_byte_of_its_answers():
    board = waiting_board()
    clean = board.copy()
    next_session(clean)
    length = len(clean.peers.said[0])
    assert length > 30
    for say in range(length + 1):
        this = board.copy()
        this.peers = Peers(say=say)
        before = diary(this).acked_to
        next_session(this)
        identifiers = {i for said in this.peers.said for i in answered_ids(said)}
        assert diary(this).acked_to == prefix_from(before, diary(this).head, identifiers), say
        assert this.peers.left_open == 0
        assert this.peers.opened <= 4
        check_the_rest(this)


def test_a_broker_that_closes_after_every_byte_of_ours():
    board = waiting_board(3)
    clean = board.copy()
    next_session(clean)
    length = len(clean.peers.heard[0])
    for hear in range(0, length, 7):
        this = board.copy()
        this.peers = Peers(hear=hear)
        before = diary(this).acked_to
        next_session(this)
        identifiers = {i for said in this.peers.said for i in answered_ids(said)}
        assert diary(this).acked_to == prefix_from(before, diary(this).head, identifiers), hear
        assert this.peers.left_open == 0
        check_the_rest(this)


@pytest.mark.parametrize("peers", [{"chunk": 1, "delay_ms": 1}, {"gulp": 1}, {"chunk": 3, "gulp": 5}])
def test_bytes_that_come_and_go_in_pieces(peers):
    board = waiting_board()
    board.peers = Peers(**peers)
    next_session(board)
    assert diary(board).acked_to == diary(board).head


def test_the_session_has_one_deadline():
    board = waiting_board()
    board.peers = Peers(chunk=1, delay_ms=4000)
    started_ms = board.now_ms
    session = delivery.Delivery
    spans = []

    class Timed(session):
        def run(self):
            begun_ms = board.now_ms
            try:
                return session.run(self)
            finally:
                spans.append(board.now_ms - begun_ms)

    delivery.Delivery = Timed
    try:
        next_session(board)
    finally:
        delivery.Delivery = session
    assert board.now_ms > started_ms
    assert spans
    assert max(spans) <= 60_000 + 50


def test_a_dropped_first_flight_is_sent_again_once_waiting():
    board = waiting_board(3)
    board.peers = Peers(say=0)
    next_session(board)
    first, second = board.peers.heard[:2]
    assert first[0] == second[0] == 0x10
    assert b"/readings" in first
    assert b"/readings" not in second


def test_a_mute_broker_is_not_tried_again_over_the_same_network():
    board = waiting_board(3)
    board.broker = type(board.broker)([(0, 10**9, "mute")], board._published)
    next_session(board)
    assert board.peers.opened == 2
    assert [ssid for ssid, _ in board.joins] == ["yard-office", "kiln-shed"]


@pytest.mark.parametrize("kind", ["refuses", "down", "drops", "forgets"])
def test_a_broker_that_fails_for_a_day(kind):
    board = waiting_board(3)
    from_s = board.now_ms // 1000
    board.broker = type(board.broker)([(from_s, from_s + 86400, kind)], board._published)
    before = diary(board).acked_to
    next_session(board)
    assert diary(board).acked_to == before
    # a broker that answers is not looked for over another network
    assert len({ssid for ssid, _ in board.joins}) == (2 if kind == "down" else 1)
    assert diary(board).failures > 0
    board.now_ms += 86400_000
    check_the_rest(board)


def test_the_remembered_address_of_something_else_is_forgotten():
    board = waiting_board(3)
    memory = diary(board)
    assert memory.broker_ip == bytes(int(part) for part in BROKER.split("."))
    memory.broker_ip = bytes((192, 0, 2, 77))
    memory.save()
    next_session(board)
    assert diary(board).broker_ip in (bytes(4), bytes((192, 0, 2, 10)))
    assert run_until_quiet(board)
    assert Stranger.closed is False


@pytest.mark.parametrize("address", ["broker", "2001:db8::1", "192.0.2.300", "192.0.2", ""])
def test_an_address_that_is_no_ipv4_is_not_remembered(address):
    assert delivery._four_bytes(address) == bytes(4)


def test_dup_says_what_may_have_been_sent_before():
    board = waiting_board(4)
    board.peers = Peers(say=4 + 6 + 4)
    next_session(board)
    flags = {seq: dup for _, seq, dup, _ in board.readings()}
    assert not any(flags.values())
    sent = set(flags)
    board.arrived.clear()
    board.peers = Peers()
    next_session(board)
    assert board.readings()
    for _, seq, dup, _ in board.readings():
        assert dup == (seq in sent), seq


def test_a_reset_in_mid_session_does_not_send_again_as_new():
    board = waiting_board(4)
    sent = set()
    for at in range(400):
        this = board.copy()
        this.fault = (at, KeyboardInterrupt())
        try:
            for _ in range(80):
                this.wake()
                this.fault = (at, KeyboardInterrupt()) if not this.joins else None
        except KeyboardInterrupt:
            if not this.joins:
                continue
            earlier = this.readings()
            sent = {seq for _, seq, _, _ in earlier}
            this.fault = None
            this.wake("watchdog")
            for _, seq, dup, _ in this.readings()[len(earlier) :]:
                assert dup or seq not in sent
            if sent:
                check_the_rest(this)
        else:
            break
    assert sent


def test_more_than_a_window_and_more_than_8_kib():
    board = waiting_board(150)
    next_session(board)
    assert diary(board).acked_to == diary(board).head
    assert [seq for _, seq, _, _ in board.readings()] == list(range(2, diary(board).head + 1))


def test_health_comes_last_is_retained_and_says_where_things_stand():
    board = waiting_board(3)
    next_session(board)
    topic, payload, _, retain = board.arrived[-1]
    assert topic == "torpor/north-stack/health"
    assert retain
    health = json.loads(payload)
    assert (health["waiting"], health["acked_to"]) == (0, diary(board).head)
    assert health["network"] == "yard-office"


def test_held_readings_go_first_under_their_own_ring():
    board = deployed()
    board.card_present = False
    hold_back(board, 3)
    held = held_in(board)
    volatile = f"{held.ring_id:08x}"
    assert volatile != ring_id(board)
    board.card_present = True
    hold_back(board, 2)
    board.arrived.clear()
    next_session(board)
    rings = [ring for ring, _, _, _ in board.readings()]
    assert rings[: rings.count(volatile)] == [volatile] * rings.count(volatile)
    assert board.delivered()[volatile] >= {1, 2, 3}
    assert not diary(board).bits & retained.HOLDING
    assert run_until_quiet(board)


def test_held_readings_survive_a_broker_that_closes_at_every_byte():
    board = deployed()
    board.card_present = False
    hold_back(board, 3)
    board.arrived.clear()
    for say in range(0, 40):
        this = board.copy()
        this.peers = Peers(say=say)
        next_session(this)
        answered = {i for said in this.peers.said for i in answered_ids(said)}
        held = held_in(this)
        accepted = prefix_from(0, held.head, answered)
        assert held.first() == accepted + 1, say
        assert bool(diary(this).bits & retained.HOLDING) == (held.count() > 0)
        this.peers = Peers()
        assert run_until_quiet(this)
        seqs = sorted({seq for ring, seq, _, _ in this.readings()})
        assert seqs == list(range(1, len(seqs) + 1))
        assert len(seqs) >= 4


def have(board, number, missing, ring=None):
    message = {"id": number, "ring": ring or ring_id(board), "last": 1, "missing": missing}
    board.broker.keep("torpor/north-stack/have", json.dumps(message).encode())


def test_have_is_answered_once_and_after_the_backlog():
    board = waiting_board(6)
    next_session(board)
    have(board, 5, [[2, 3], [5, 5]])
    board.arrived.clear()
    next_session(board)
    seqs = [seq for _, seq, _, _ in board.readings()]
    assert seqs[-3:] == [2, 3, 5]
    assert all(dup for _, _, dup, _ in board.readings()[-3:])
    board.arrived.clear()
    next_session(board)
    assert not {seq for _, seq, _, _ in board.readings()} & {2, 3, 5}
    have(board, 6, [[2, 2]])
    board.arrived.clear()
    next_session(board)
    assert [seq for _, seq, _, _ in board.readings()][-1] == 2


def test_have_for_another_ring_or_of_nonsense_changes_nothing():
    board = waiting_board(3)
    next_session(board)
    for payload in (b"{", b"\xff" * 20, b"[" * 500, b'{"id":9,"ring":"00000000","missing":[[1,2]]}', b"x" * 600):
        board.broker.keep("torpor/north-stack/have", payload)
        board.arrived.clear()
        next_session(board)
        assert 2 not in {seq for _, seq, _, _ in board.readings()}
        assert diary(board).acked_to == diary(board).head


def test_have_is_bounded_by_the_day():
    board = waiting_board(3)
    next_session(board)
    memory = diary(board)
    memory.have_day = board.true_s() // 86400 & 0xFFFF
    memory.have_sent = 286
    memory.save()
    have(board, 5, [[1, 4]])
    board.arrived.clear()
    next_session(board)
    assert [seq for _, seq, _, _ in board.readings()][-2:] == [1, 2]


def health_of(board):
    return json.loads([payload for topic, payload, _, _ in board.arrived if topic.endswith("health")][-1])


def test_what_was_overwritten_is_counted_and_reported_gone():
    board = waiting_board(3)
    next_session(board)
    device = next(iter(board.files.values()))
    capacity = device.sector_count - 64 - 128
    before = diary(board).acked_to
    hold_back(board, capacity + 20)
    assert diary(board).overwritten == diary(board).head - capacity - before
    have(board, 5, [[1, 3], [7, 9]])
    board.arrived.clear()
    assert run_until_quiet(board)
    oldest = diary(board).head - capacity + 1
    assert [1, 3] in health_of(board)["gone"]
    assert min(board.delivered()[ring_id(board)]) >= oldest - 20
    assert diary(board).acked_to == diary(board).head


def test_an_unreadable_stretch_does_not_hold_up_what_follows():
    board = waiting_board(40)
    device = next(iter(board.files.values()))
    half = (device.sector_count - 64) // 2 - 64
    window = (508 - 32) // 60
    gone = range(5, 25)
    for seq in gone:
        device.unreadable.add((seq & 1) * (64 + half) + 64 + (seq >> 1) % half)
    # a card may answer better the next time: the first session stops there, the second passes over
    next_session(board)
    assert diary(board).acked_to == 4
    assert health_of(board)["gone"] == []
    before = device.reads
    next_session(board)
    # each sector of the stretch is asked for itself, and not for every reading that it may repeat
    assert device.reads - before < 2 * window * (len(gone) - window)
    arrived = {seq for _, seq, _, _ in board.readings()}
    lost = set(range(5, 25 - window + 1))
    assert arrived == set(range(2, diary(board).head + 1)) - lost
    assert diary(board).acked_to == diary(board).head
    assert health_of(board)["gone"] == [[min(lost), max(lost)]]
    # asked for again, they are still gone, and said to be
    have(board, 5, [[4, 7]])
    board.arrived.clear()
    next_session(board)
    assert board.readings()[-1][1] == 4
    assert health_of(board)["gone"] == [[5, 7]]


def test_readings_that_can_be_read_again_the_next_time_are_not_passed_over():
    board = waiting_board(40)
    device = next(iter(board.files.values()))
    half = (device.sector_count - 64) // 2 - 64
    for seq in range(5, 25):
        device.unreadable.add((seq & 1) * (64 + half) + 64 + (seq >> 1) % half)
    next_session(board)
    device.unreadable.clear()
    next_session(board)
    assert {seq for _, seq, _, _ in board.readings()} == set(range(2, diary(board).head + 1))
    assert health_of(board)["gone"] == []


def test_a_card_that_goes_away_in_mid_session_skips_nothing():
    board = waiting_board(60)
    board.peers = Peers(delay_ms=50)
    real = board.call

    def call(name, ms=0):
        if name == "stream.recv_into" and len(board.readings()) > 20:
            board.card_present = False
        return real(name, ms)

    board.call = call
    next_session(board)
    board.call = real
    board.card_present = True
    acked_to = diary(board).acked_to
    assert set(range(2, acked_to + 1)) <= {seq for _, seq, _, _ in board.readings()}
    check_the_rest(board)


def test_settings_from_afar_are_taken_once():
    board = waiting_board(2)
    board.broker.keep("torpor/north-stack/settings", b'{"id":3,"set":{"sample_every_s":1200}}')
    next_session(board)
    assert "settings-taken" in board.events()
    assert diary(board).remote_sample_s == 1200
    assert board.wake() in range(1100, 1300)
    next_session(board)
    assert "settings-taken" not in board.events()


def test_only_transmission_changed_from_afar_takes_effect_at_once():
    board = waiting_board(2)
    board.broker.keep("torpor/north-stack/settings", b'{"id":3,"set":{"transmit_every_s":14400}}')
    next_session(board)
    assert diary(board).next_transmit_s % 14400 == 0


def test_settings_that_only_work_over_an_old_network_are_not_believed():
    board = waiting_board(2)
    board.settings = SETTINGS.replace("yard-office", "yard-orifice").replace("kiln-shed", "kiln-shard").encode()
    for _ in range(60):
        board.wake()
        if diary(board).acked_to == diary(board).head:
            break
    # it got out over the network of the settings before, and goes on doing so
    assert diary(board).acked_to == diary(board).head
    for _ in range(3):
        hold_back(board, 8)
        for _ in range(60):
            board.wake()
            if diary(board).acked_to == diary(board).head:
                break
        assert diary(board).acked_to == diary(board).head


def test_nvm_that_takes_nothing_does_not_stop_delivery():
    board = Board()
    board.nvm_full = True
    board.wake("power-on")
    assert run_until_quiet(board, 10)
    board = deployed()
    board.settings += b"\n# edited\n"
    board.wake()
    board.nvm_full = True
    hold_back(board, 8)
    assert run_until_quiet(board)


def test_without_the_time_the_session_says_hello_and_no_more():
    board = Board(SETTINGS.replace('["time.yard.example"]', '["time.yard.example"]\npatience_h = 2'))
    board.time_behaviour = "silent"
    started_ms = board.now_ms
    board.wake("power-on")
    assert [topic for topic, _, _, _ in board.arrived] == ["torpor/north-stack/health"]
    # neither waiting for answers that nobody owes, nor a second connection
    assert board.peers.opened == 1
    assert board.now_ms - started_ms < 3_600_000
    for _ in range(20):
        board.wake()
    runs = {reading["run"] for _, _, _, reading in board.readings()}
    assert runs == {1}
    assert diary(board).acked_to > 0


def test_a_very_long_backlog_is_no_failure():
    board = waiting_board(700)
    board.peers = Peers(delay_ms=3500)
    next_session(board)
    memory = diary(board)
    assert memory.acked_to < memory.head
    assert memory.failures == 0
    assert board.arrived[-1][0].endswith("health")
    check_the_rest(board)
