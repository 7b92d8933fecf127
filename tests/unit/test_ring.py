"""The ring in use: against a list, with hints, with writes that vanish. Law: what append returns can be read back."""

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ring_device import Device
from torpor import record, ring, ring_layout, ring_recovery
from torpor.errors import CardError, RingError

EUI = bytes(range(8))
ANCHOR = (3, 1793500000, 4, 1793500000)
CHANNELS = [
    ("temperature", "Cel", -2, "sht"),
    ("relative-humidity", "%RH", -2, "sht"),
    ("battery", "V", -3, "analog"),
]


def sectors(half):
    return 2 * (half + ring.LAYOUT_SLOTS) + ring.TAIL_GAP


def make(half=64, stride=30, device=None):
    device = device or Device(sectors(half))
    return ring_layout.create(device, 0xC0FFEE, stride, EUI, "north-stack", CHANNELS)


def content(seq, stride, salt=0):
    """Bytes that no other (seq, salt) has."""
    return random.Random(f"{seq} {salt}").randbytes(stride)


def fill(this, count, salt=0):
    for _ in range(count):
        this.append(content(this.head + 1, this.stride, salt), ANCHOR)
    return this


def cold(device, random_u32=0xBEEF, known=None):
    return ring_recovery.recover(device, EUI, random_u32, lambda: None, known)


def nothing_lost(this, stored):
    """Every reading of `stored` {seq: bytes} that the ring claims to have reads back as it was stored."""
    for seq in range(this.oldest(), this.head + 1):
        assert seq in stored, f"{seq} was never stored"
        data = this.read(seq)
        assert data is not None, f"{seq} of {this.head} is lost"
        assert bytes(data) == stored[seq], f"{seq} has other contents"


@pytest.mark.parametrize("stride", [18, 30, 60, 234])
@pytest.mark.parametrize("half", [64, 65, 100])
def test_a_wrapping_ring_gives_back_what_it_claims_to_have(half, stride):
    this = make(half, stride)
    stored = {}
    for _ in range(5 * half):
        data = content(this.head + 1, stride)
        stored[this.append(data, ANCHOR)] = data
    assert this.oldest() == 5 * half - 2 * half + 1
    nothing_lost(this, stored)
    nothing_lost(cold(this.file)[0], stored)


def test_an_append_is_one_write_and_one_read():
    this = fill(make(), 40)
    device = this.file
    device.reads = device.writes = 0
    fill(this, 300)
    assert (device.writes, device.reads) == (300, 300)


def test_a_sample_only_wake_reads_three_sectors_and_writes_one():
    this = fill(make(), 500)
    device = this.file
    device.reads = device.writes = 0
    again = ring.Ring(device, 0xC0FFEE, 0, 500)
    assert again.resume()
    assert device.reads == 2
    fill(again, 1)
    assert (device.reads, device.writes) == (3, 1)
    assert again.stride == 30


def test_a_backlog_costs_one_read_a_window():
    this = fill(make(100, 60), 150)
    this.file.reads = 0
    for seq in range(1, 141):
        this.read(seq)
    # 7 records a sector
    assert this.file.reads == 20


def test_sectors_never_overlap_and_leave_the_gap():
    half = 65
    this = make(half)
    places = [this.sector_of(seq) for seq in range(1000, 1000 + this.capacity)]
    assert len(set(places)) == this.capacity == 2 * half
    layouts = {ring_layout.sector_of(slot, copy, half) for slot in range(64) for copy in (0, 1)}
    assert len(layouts) == 128
    assert not layouts & set(places)
    assert max(places) < this.file.sector_count - 64
    # an aligned group of 32 cannot reach from one half's readings into the other's
    assert min(p for p in places if p > 64 + half) - max(p for p in places if p < 64 + half) > 64


class TestHints:
    def test_a_hint_that_is_behind_is_followed(self):
        this = fill(make(), 300)
        for behind in range(8):
            again = ring.Ring(this.file, 0xC0FFEE, 0, 300 - behind)
            assert again.resume()
            assert again.head == 300
            # and the next sector repeats what comes before it, not what the hint knew
            again.file = this.file.copy(0, 0)
            fill(again, 1)
            at = 32 + 30 * (again.window - 2)
            assert again.file.sector(again.sector_of(301))[at : at + 60] == content(300, 30) + content(301, 30)
        assert not ring.Ring(this.file, 0xC0FFEE, 0, 292).resume()

    @pytest.mark.parametrize("hint", [0, 1, 100, 172, 301, 302, 428, 429, 5000, 0xFFFFFFFF])
    def test_a_wrong_hint_is_not_believed(self, hint):
        this = fill(make(), 300)
        assert not ring.Ring(this.file, 0xC0FFEE, 0, hint).resume()

    def test_another_rings_id_is_not_believed(self):
        this = fill(make(), 300)
        assert not ring.Ring(this.file, 0xC0FFEF, 0, 300).resume()

    @pytest.mark.parametrize("stride", [0, 1, 11, 29, 239, 477, 65535])
    def test_a_stride_from_a_bad_sector_is_not_believed(self, stride):
        this = fill(make(), 300)
        place = this.sector_of(300)
        bad = bytearray(this.file.sector(place))
        bad[6:8] = stride.to_bytes(2, "little")
        this.file.sectors[place] = bytes(bad)
        assert not ring.Ring(this.file, 0xC0FFEE, 0, 300).resume()

    def test_every_bit_of_the_heads_sector_counts(self):
        this = fill(make(64, 234), 300)
        place = this.sector_of(300)
        whole = this.file.sector(place)
        for bit in range(8 * 512):
            bad = bytearray(whole)
            bad[bit // 8] ^= 1 << bit % 8
            this.file.sectors[place] = bytes(bad)
            assert not ring.Ring(this.file, 0xC0FFEE, 0, 300).resume(), bit

    def test_rubbish_ahead_of_the_head_sends_to_recovery(self):
        # a watchdog reset in the middle of a write: retained memory is whole and the sector is not
        this = fill(make(), 300)
        this.file.sectors[this.sector_of(301)] = b"\xff" * 512
        assert not ring.Ring(this.file, 0xC0FFEE, 0, 300).resume()
        mended = cold(this.file)[0]
        assert mended.head == 300
        assert ring.Ring(this.file, 0xC0FFEE, 0, 300).resume()

    @pytest.mark.parametrize("bad", [0, 1])
    def test_an_unreadable_sector_is_not_an_exception(self, bad):
        this = fill(make(), 300)
        this.file.unreadable = {this.sector_of(300 + bad)}
        assert not ring.Ring(this.file, 0xC0FFEE, 0, 300).resume()

    def test_a_file_too_small_for_any_ring(self):
        for count in (0, 64, 192, 194, 319):
            device = Device(count)
            assert not ring.Ring(device, 1, 60, 5).resume()
            with pytest.raises(RingError):
                cold(device)
            with pytest.raises(RingError):
                ring_layout.create(device, 1, 60, EUI, "n", CHANNELS)
            assert device.writes == 0

    @pytest.mark.parametrize("stride", [0, 239, 477, 65535])
    def test_a_stride_that_leaves_no_room_to_repeat_is_refused(self, stride):
        with pytest.raises(RingError):
            make(64, stride)


class TestFailingWrites:
    @pytest.mark.parametrize("stored", [0, 1, 2, 5, 127, 128, 300])
    @pytest.mark.parametrize("stride", [18, 60, 234])
    def test_a_write_that_vanishes_is_no_stored_reading(self, stored, stride):
        this = fill(make(64, stride), stored)
        expected = {seq: content(seq, stride) for seq in range(1, stored + 1)}
        this.file.dropping = True
        for salt in (1, 2, 3):
            with pytest.raises(CardError):
                this.append(content(stored + 1, stride, salt), ANCHOR)
            assert this.head == stored
        nothing_lost(this, expected)
        this.file.dropping = False
        for seq in range(stored + 1, stored + 60):
            expected[seq] = content(seq, stride, 4)
            assert this.append(expected[seq], ANCHOR) == seq
        nothing_lost(this, expected)
        nothing_lost(cold(this.file)[0], expected)

    def test_a_failed_read_back_after_which_the_number_is_taken_again(self):
        this = fill(make(), 300)
        expected = {seq: content(seq, 30) for seq in range(1, 301)}
        place = this.sector_of(301)
        this.file.unreadable = {place}
        with pytest.raises(CardError):
            this.append(content(301, 30, 1), ANCHOR)
        this.file.unreadable = set()
        expected[301] = content(301, 30, 2)
        assert this.append(expected[301], ANCHOR) == 301
        nothing_lost(cold(this.file)[0], expected)

    def test_what_landed_unseen_is_found_again_under_its_number(self):
        this = fill(make(), 300)
        this.file.unreadable = {this.sector_of(301)}
        with pytest.raises(CardError):
            this.append(content(301, 30, 1), ANCHOR)
        this.file.unreadable = set()
        again = ring.Ring(this.file, 0xC0FFEE, 0, 300)
        assert again.resume()
        assert again.head == 301
        assert bytes(again.read(301)) == content(301, 30, 1)

    def test_a_failed_append_does_not_leave_its_sector_to_be_read_from(self):
        this = fill(make(), 300)
        assert bytes(this.read(300)) == content(300, 30)
        this.file.dropping = True
        with pytest.raises(CardError):
            this.append(content(301, 30, 9), ANCHOR)
        for seq in range(280, 301):
            assert bytes(this.read(seq)) == content(seq, 30)

    def test_a_refusing_card(self):
        this = fill(make(), 300)
        this.file.refusing = True
        with pytest.raises(CardError):
            this.append(content(301, 30), ANCHOR)
        assert this.head == 300
        assert this.read(290) is None
        assert not ring.Ring(this.file, 0xC0FFEE, 0, 300).resume()
        with pytest.raises(CardError):
            cold(this.file)

    def test_a_record_of_another_length_is_our_own_bug(self):
        this = make()
        for length in (0, 29, 31):
            with pytest.raises(AssertionError):
                this.append(bytes(length), ANCHOR)

    def test_one_bad_transfer_does_not_cost_a_reading(self):
        this = fill(make(64, 234), 300)
        failed = []
        read = this.file.read

        def flaky(sector, buffer):
            read(sector, buffer)
            if sector not in failed:
                failed.append(sector)
                buffer[100] ^= 1

        this.file.read = flaky
        for seq in range(200, 301):
            assert bytes(this.read(seq)) == content(seq, 234)


def test_a_short_window_is_not_read_beyond_its_records():
    # as repair leaves it: the furthest sector is whole and does not go back to the one that is asked for
    this = fill(make(64, 60), 300)
    this.skip_to(305)
    fill(this, 3)
    assert [this.file.sector(this.sector_of(seq))[5] for seq in (306, 307, 308)] == [1, 2, 3]
    for seq in (299, 300, 306, 308):
        assert bytes(this.read(seq)) == content(seq, 60), seq
    for seq in range(301, 306):
        assert this.read(seq) is None
    assert this.read(309) is None


def test_every_sector_says_what_was_accepted_and_which_run():
    this = fill(make(), 20)
    this.acked_to = 17
    fill(this, 1)
    buffer = bytearray(512)
    assert this.anchor_in(21, buffer) == ANCHOR
    again = cold(this.file)[0]
    assert (again.head, again.acked_to, again.tail()) == (21, 17, 18)
    assert this.anchor_in(22, buffer) is None
    # a sector cannot have accepted what it had not stored
    this.acked_to = 0xFFFFFFFF
    fill(this, 1)
    again = cold(this.file)[0]
    assert (again.acked_to, again.tail()) == (22, 23)


def test_tail_and_oldest():
    this = make()
    assert (this.oldest(), this.tail()) == (1, 1)
    fill(this, 128)
    assert (this.oldest(), this.tail()) == (1, 1)
    fill(this, 1)
    assert (this.oldest(), this.tail()) == (2, 2)
    this.acked_to = 129
    assert (this.oldest(), this.tail()) == (2, 130)


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("append"), st.integers(1, 90)),
        st.tuples(st.just("accept"), st.integers(0, 200)),
        st.tuples(st.just("hint"), st.integers(-20, 20)),
        st.tuples(st.just("cold"), st.just(0)),
        st.tuples(st.just("read"), st.integers(0, 2000)),
        st.tuples(st.just("vanish"), st.just(0)),
    ),
    max_size=14,
)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(half=st.sampled_from([64, 65, 67, 100]), channels=st.integers(1, 37), steps=STEPS)
def test_the_ring_against_a_list(half, channels, steps):
    stride = record.stride(channels)
    assert 18 <= stride <= 234
    this = make(half, stride)
    device = this.file
    stored = []
    acked_to = 0
    for step, number in steps:
        if step == "append":
            for _ in range(number):
                stored.append(content(len(stored) + 1, stride))
                assert this.append(stored[-1], ANCHOR) == len(stored)
        elif step == "accept":
            acked_to = this.acked_to = max(acked_to, min(number, len(stored)))
        elif step == "vanish":
            device.dropping = True
            with pytest.raises(CardError):
                this.append(content(0, stride), ANCHOR)
            device.dropping = False
        elif step == "read" and stored:
            seq = this.oldest() + number % (this.head - this.oldest() + 1)
            assert bytes(this.read(seq)) == stored[seq - 1]
        elif step in ("hint", "cold"):
            hinted = ring.Ring(device, this.ring_id, 0, max(0, len(stored) + number))
            if step == "hint" and hinted.resume():
                hinted.acked_to = acked_to
                this = hinted
            else:
                this = cold(device, this.ring_id + 1)[0]
                assert this.acked_to <= acked_to
                this.acked_to = acked_to
        assert this.head == len(stored)
        assert this.oldest() == max(1, len(stored) - 2 * half + 1)
        assert this.tail() == max(acked_to + 1, this.oldest())
    nothing_lost(this, dict(enumerate(stored, 1)))


class TestLayouts:
    def test_what_goes_in_comes_out(self):
        buffer = bytearray(512)
        channels = [
            ("a", "", 0, ""),
            ("temperature", "Cel", -2, "sht"),
            ("x" * 100, "%RH", 127, "s" * 90),
            ("b", "°", -128, ""),
        ]
        ring_layout.encode(buffer, 63, 234, 0xFFFFFFFF, 65440, EUI, "yard-mast", channels)
        assert ring_layout.decode(buffer, 63) == (234, 0xFFFFFFFF, 65440, EUI, "yard-mast", channels)
        assert ring_layout.decode(buffer, 62) is None

    def test_every_bit_counts(self):
        buffer = bytearray(512)
        ring_layout.encode(buffer, 3, 60, 7, 64, EUI, "yard-mast", CHANNELS)
        for bit in range(8 * 512):
            bad = bytearray(buffer)
            bad[bit // 8] ^= 1 << bit % 8
            assert ring_layout.decode(bad, 3) is None

    @given(sizes=st.lists(st.integers(0, 260), min_size=0, max_size=40))
    def test_too_long_is_refused_and_nothing_is_written_outside(self, sizes):
        buffer = bytearray(512)
        channels = [("n" * size, "Cel", -2, "s") for size in sizes]
        fits = 26 + 3 + sum(size + 8 for size in sizes) <= 508 and all(size <= 255 for size in sizes)
        if fits:
            ring_layout.encode(buffer, 0, 60, 7, 64, EUI, "no", channels)
            assert ring_layout.decode(buffer, 0)[5] == channels
        else:
            with pytest.raises(RingError):
                ring_layout.encode(buffer, 0, 60, 7, 64, EUI, "no", channels)
        assert len(buffer) == 512

    def test_a_slot_that_cannot_be_read_is_not_taken_for_free(self):
        this = make()
        device = this.file
        device.unreadable = {ring_layout.sector_of(5, copy, 64) for copy in (0, 1)}
        buffer = bytearray(512)
        with pytest.raises(CardError):
            ring_layout.load(device, 5, this.ring_id, buffer)
        assert ring_layout.load(device, 6, this.ring_id, buffer) is None

    def test_either_copy_will_do(self):
        this = make()
        for copy in (0, 1):
            for bad in ("rubbish", "unreadable"):
                device = this.file.copy(1, 0)
                place = ring_layout.sector_of(0, copy, 64)
                if bad == "rubbish":
                    device.sectors[place] = bytes(512)
                else:
                    device.unreadable = {place}
                assert ring_layout.load(device, 0, None, bytearray(512))[5] == CHANNELS

    def test_a_layout_that_does_not_read_back(self):
        device = Device(sectors(64))
        device.dropping = True
        with pytest.raises(CardError):
            make(device=device)
