"""Power cuts at every write, one and two in a row.

Law: what was reported stored survives them, and no number has two contents.
"""

import itertools
import random

import pytest
from ring_device import CUTS, Device, PowerLoss
from test_ring import ANCHOR, CHANNELS, EUI, cold, content, fill, make, nothing_lost, sectors
from torpor import ring, ring_layout, ring_mark, ring_recovery, ring_search
from torpor.errors import CardError, RingError

MORE = [("light", "lx", 0, "bh1750"), *CHANNELS]


class Node:
    """What was reported: {seq: bytes}; `tried` holds what a cut write was about to store, which may have landed."""

    def __init__(self, stride):
        self.stride = stride
        self.stored = {}
        self.tried = {}
        self.salt = 0

    def appends(self, this, count):
        """Store `count` readings; the salt makes a number that is used twice show."""
        for _ in range(count):
            seq = this.head + 1
            self.salt += 1
            data = content(seq, self.stride, self.salt)
            self.tried.setdefault(seq, set()).add(data)
            this.append(data, ANCHOR)
            self.stored[seq] = data

    def check(self, this):
        """All that was reported is there; a cut write that landed counts from now on."""
        newest = max(self.stored, default=0)
        assert this.head >= newest, "a reported reading is gone"
        assert this.head <= newest + 1, "more than the interrupted write appeared"
        if this.head > newest:
            data = bytes(this.read(this.head))
            assert data in self.tried[this.head], "what was never written appeared"
            self.stored[this.head] = data
        nothing_lost(this, self.stored)


def wrapped(half, stride, count, first_sector=0, seed=0):
    device = Device(sectors(half), seed, first_sector)
    node = Node(stride)
    this = make(half, stride, device)
    node.appends(this, count)
    return device, this, node


def run_into_cut(device, node, this, at_write, kind, count=400):
    """Append until the power goes; True when it went."""
    device.cut(at_write, kind)
    try:
        node.appends(this, count)
    except PowerLoss:
        return True
    finally:
        device.power_on()
    return False


@pytest.mark.parametrize("kind", CUTS)
@pytest.mark.parametrize(("half", "stride", "before"), [(64, 60, 0), (64, 234, 260), (65, 18, 190), (100, 60, 333)])
def test_a_cut_at_every_write_of_a_lap(kind, half, stride, before):
    start = wrapped(half, stride, before)
    for at_write in range(1, 2 * half + 4):
        device = start[0].copy(at_write, at_write * 7 % 32)
        node = Node(stride)
        node.stored, node.salt = dict(start[2].stored), start[2].salt
        this = ring.Ring(device, 0xC0FFEE, stride, before)
        if before:
            assert this.resume()
        assert run_into_cut(device, node, this, at_write, kind)
        ids = this.ring_id
        this, _, _ = cold(device)
        if not node.stored and this.head == 0:
            # nothing was reported: the numbers start again under a new name
            assert this.ring_id != ids
            node = Node(stride)
        node.check(this)
        # the node goes on, and a second search finds nothing to mend
        node.appends(this, 3)
        this, slots, mended = cold(device)
        assert (slots, mended) == (1, 0)
        node.check(this)


def two_cuts(seed, kinds=CUTS, soon=80):
    """Two cuts in a row, the second one in the repair or in the next `soon` appends; (cuts that struck, readings)."""
    chance = random.Random(seed)
    half = chance.choice([64, 64, 65, 80, 100])
    stride = chance.choice([18, 24, 60, 60, 90, 234])
    before = chance.randrange(5 * half)
    device, this, node = wrapped(half, stride, before, chance.randrange(32), seed)
    this.acked_to = chance.choice([0, before // 2, before])
    cuts = 0
    for _ in range(2):
        if this is None:
            device.cut(chance.randrange(1, 40), chance.choice(kinds))
            try:
                this = cold(device, chance.getrandbits(32))[0]
            except PowerLoss:
                cuts += 1
                continue
            finally:
                device.power_on()
            node.check(this)
        name = this.ring_id
        if run_into_cut(device, node, this, chance.randrange(1, soon), chance.choice(kinds)):
            cuts += 1
            this = None
    for _ in range(2):
        this = cold(device, chance.getrandbits(32))[0]
        if this.ring_id != name:
            assert not node.stored
            node, name = Node(stride), this.ring_id
        node.check(this)
        node.appends(this, 5)
    assert cold(device)[2] == 0
    return cuts, len(node.stored)


TRIALS = 500
HARD = {"kinds": ("32 trashed",), "soon": 6}


@pytest.mark.parametrize("how", [{}, HARD])
def test_two_cuts_in_a_row(how):
    assert sum(two_cuts(seed, **how)[0] for seed in range(TRIALS)) > 1.8 * TRIALS


def test_two_cuts_without_repair_would_lose_readings(monkeypatch):
    # the sweep sees a loss where there is one
    monkeypatch.setattr(ring_recovery, "mend", lambda found, feed: 0)
    lost = 0
    for seed in range(200):
        try:
            two_cuts(seed, **HARD)
        except AssertionError:
            lost += 1
    assert lost > 20


def test_a_cut_in_the_repair_itself_at_every_write():
    base, this, node = wrapped(64, 60, 300)
    repairs = 0
    for kind in ("8 trashed", "32 trashed", "garbage"):
        for offset in range(0, 32, 5):
            damaged = base.copy(offset, offset)
            here = Node(60)
            here.stored, here.salt = dict(node.stored), node.salt
            again = ring.Ring(damaged, 0xC0FFEE, 60, 300)
            assert again.resume()
            assert run_into_cut(damaged, here, again, 1 + offset, "32 trashed")
            for at_write in range(1, 80):
                device = damaged.copy(at_write, offset)
                device.cut(at_write, kind)
                try:
                    cold(device)
                except PowerLoss:
                    repairs += 1
                else:
                    break
                finally:
                    device.power_on()
                there = Node(60)
                there.stored, there.tried = dict(here.stored), here.tried
                this = cold(device)[0]
                there.check(this)
            else:
                pytest.fail("the repair does not end")
    assert repairs > 300


@pytest.mark.parametrize("kind", CUTS)
def test_a_cut_while_a_ring_is_created(kind):
    for at_write in (1, 2):
        for offset in range(32):
            device = Device(sectors(64), at_write, offset)
            device.cut(at_write, kind)
            with pytest.raises(PowerLoss):
                make(64, 60, device)
            device.power_on()
            # of a file that a trashed group took back nothing is left to tell that it is ours
            if ring_layout.load(device, 0, None, bytearray(512)) is None:
                assert at_write == 1
                writes = device.writes
                with pytest.raises(RingError):
                    cold(device)
                assert device.writes == writes
                continue
            this, slots, _ = cold(device, 77)
            assert (this.ring_id, this.head, slots) == (77, 0, 1)
            node = Node(60)
            node.appends(this, 200)
            node.check(cold(device)[0])


def test_a_cut_while_an_empty_ring_is_renamed():
    base = make(64, 60).file
    for kind in CUTS:
        for at_write in (1, 2):
            for offset in range(0, 32, 3):
                device = base.copy(offset, offset)
                device.cut(at_write, kind)
                with pytest.raises(PowerLoss):
                    cold(device, 77)
                device.power_on()
                this = cold(device, 78)[0]
                assert this.ring_id == 78
                fill(this, 4)
                assert cold(device)[0].head == 4


def write_layout(device, slot, channels=MORE):
    """As the node does it, in a ring of stride 60."""
    half = ring.half_sectors(device.sector_count)
    buffer = bytearray(512)
    ring_layout.encode(buffer, slot, 60, 0xC0FFEE, half, EUI, "north-stack", channels)
    ring_layout.write(device, slot, buffer)


@pytest.mark.parametrize("kind", CUTS)
@pytest.mark.parametrize(("half", "head"), [(64, 3), (64, 4), (64, 61), (64, 127), (64, 300), (160, 800), (160, 801)])
def test_a_cut_while_a_layout_is_written(kind, half, head):
    base, this, node = wrapped(half, 60, head)
    for used in (1, 2, 31, 32, 33, 40, 63):
        if ring_layout.endangers(this, used):
            continue
        before = base.copy(1, 0)
        for slot in range(1, used):
            write_layout(before, slot, [(f"c{slot}", "Cel", -2, "s")])
        for at_write in (1, 2):
            offset = (used * 5 + head) % 32
            device = before.copy(used, offset)
            device.cut(at_write, kind)
            with pytest.raises(PowerLoss):
                write_layout(device, used)
            device.power_on()
            this, slots, _ = cold(device)
            node.check(this)
            # the new one is there in both copies or nowhere
            assert slots == (used + 1 if at_write == 2 or kind == "landed" else used)
            for copy in (0, 1):
                other = device.copy(0, 0)
                for slot in range(64):
                    other.sectors[ring_layout.sector_of(slot, 1 - copy, half)] = bytes(512)
                for slot in range(slots):
                    found = ring_layout.load(other, slot, 0xC0FFEE, bytearray(512))
                    expected = CHANNELS if slot == 0 else MORE if slot == used else [(f"c{slot}", "Cel", -2, "s")]
                    assert found[5] == expected
            # and the readings beside the layouts are whole again in their own sectors, not only next door
            for seq in range(this.oldest(), this.head + 1):
                assert this.load(seq, bytearray(512)), seq
            write_layout(device, slots)


def test_a_layout_waits_while_the_newest_reading_lies_beside_it():
    def takes(this, slot):
        """Whether an aligned group of 32 can hold a copy of the slot and the newest reading, at some alignment."""
        copies = [ring_layout.sector_of(slot, copy, this.half) for copy in (0, 1)]
        return any(
            (copy + offset) // 32 == (this.sector_of(this.head) + offset) // 32
            for copy in copies
            for offset in range(32)
        )

    this = make(100, 60)
    assert not any(ring_layout.endangers(this, slot) for slot in range(64))
    waits = [0] * 64
    for _ in range(410):
        fill(this, 1)
        for slot in range(64):
            assert ring_layout.endangers(this, slot) == takes(this, slot)
            waits[slot] = waits[slot] + 1 if takes(this, slot) else 0
            assert waits[slot] <= (1 if slot <= 32 else 63)


class TestWrongFiles:
    def refused(self, device, error=RingError):
        before = device.image()
        with pytest.raises(error):
            cold(device)
        assert device.writes == 0
        assert before == {index: device.image()[index] for index in before}

    @pytest.mark.parametrize("seed", range(5))
    def test_random_bytes(self, seed):
        self.refused(Device(sectors(64), seed))

    @pytest.mark.parametrize("fill_byte", [0, 0xFF])
    def test_blank(self, fill_byte):
        device = Device(sectors(64))
        device.sectors = dict.fromkeys(range(device.sector_count), bytes([fill_byte]) * 512)
        self.refused(device)

    def other(self, this, sector_count=None):
        """The ring's sectors in a file of another length."""
        device = Device(sector_count or this.file.sector_count)
        device.sectors = {index: data for index, data in this.file.sectors.items() if index < device.sector_count}
        return device

    def test_another_boards_ring(self):
        this = fill(make(), 300)
        before = this.file.image()
        with pytest.raises(RingError):
            ring_recovery.recover(self.other(this), b"another!", 5, lambda: None)
        assert this.file.image() == before

    @pytest.mark.parametrize("short", [1, 2, 64, 65, 100])
    def test_cut_short(self, short):
        # one sector more or less leaves both halves as long as they were
        this = fill(make(100), 300)
        device = self.other(this, this.file.sector_count - short)
        if ring.half_sectors(device.sector_count) == 100:
            assert cold(device)[0].head == 300
        else:
            self.refused(device)

    def test_grown(self):
        self.refused(self.other(fill(make(), 300), sectors(66)))

    def test_layouts_gone(self):
        device = self.other(fill(make(), 300))
        for copy in (0, 1):
            device.sectors[ring_layout.sector_of(0, copy, 64)] = bytes(512)
        self.refused(device)

    def test_an_older_ring_below_is_not_mistaken_for_the_new_one(self):
        old = fill(make(64, 60), 1000)
        device = self.other(old)
        this = ring_layout.create(device, 0xBEEF, 60, EUI, "north-stack", CHANNELS)
        write_layout(device, 1)  # of the old ring
        node = Node(60)
        node.appends(this, 5)
        again, slots, _ = cold(device)
        assert (again.ring_id, again.head, slots) == (0xBEEF, 5, 1)
        node.check(again)
        node.appends(again, 400)
        node.check(cold(device)[0])

    def test_an_older_ring_below_an_empty_one(self):
        device = self.other(fill(make(64, 60), 1000))
        ring_layout.create(device, 0xBEEF, 60, EUI, "north-stack", CHANNELS)
        this = cold(device, 0xFEED)[0]
        assert (this.ring_id, this.head) == (0xFEED, 0)

    def test_a_card_that_gives_nothing_is_not_taken_for_no_ring(self):
        device = self.other(fill(make(), 300))
        device.unreadable = set(range(device.sector_count))
        self.refused(device, CardError)


class TestReadErrors:
    @pytest.mark.parametrize("stored", [1, 2, 3, 60, 127, 128, 129, 300])
    def test_one_unreadable_sector_anywhere(self, stored):
        base, _, node = wrapped(64, 60, stored)
        for bad in range(base.sector_count):
            device = base.copy(bad, 0)
            device.unreadable = {bad}
            this = ring.Ring(device, 0xC0FFEE, 60, stored)
            if bad == this.sector_of(stored):
                continue
            this = cold(device)[0]
            assert this.head == stored, bad
            nothing_lost(this, node.stored)

    def test_the_heads_own_sector(self):
        # a reading of which there is no other copy; the diary at least keeps its number from being given out again
        device, this, node = wrapped(64, 60, 300)
        device.unreadable = {this.sector_of(300)}
        again = cold(device)[0]
        assert again.head == 299
        again = cold(device, 1, (0xC0FFEE, 300))[0]
        # the next one does not come near 299, whose copy was in the sector of 300
        assert again.head == 299 + 64
        del node.stored[300]
        node.appends(again, 19)
        assert again.head == 299 + 64 + 19
        for reopened in (again, cold(device)[0]):
            assert reopened.head == 299 + 64 + 19
            assert reopened.read(300) is None
            for seq in node.stored:
                if seq >= reopened.oldest():
                    assert bytes(reopened.read(seq)) == node.stored[seq]

    @pytest.mark.parametrize("stored", [297, 300])
    def test_the_head_outlives_two_cuts_behind_a_number_that_was_passed_over(self, stored):
        # half of 128: so large that what is passed over and a group of 32 do not go round the ring
        for first, second, offset in itertools.product((1, 2, 3), (1, 2, 3), range(0, 32, 5)):
            device, this, node = wrapped(128, 60, stored, offset)
            device.unreadable = {this.sector_of(stored)}
            this = cold(device, 1, (0xC0FFEE, stored))[0]
            device.unreadable = set()
            # of that one nobody promises anything
            del node.stored[stored]
            for at_write in (first, second):
                assert run_into_cut(device, node, this, at_write, "32 trashed", 5)
                this = cold(device, 1, (0xC0FFEE, max(node.stored)))[0]
                for seq in range(this.oldest(), stored):
                    assert bytes(this.read(seq)) == node.stored[seq], (first, second, offset, seq)

    @pytest.mark.parametrize("known", [(1, 300), (0xC0FFEE, 299), (0xC0FFEE, 0), (0xC0FFEE, 400), (0, 0)])
    def test_a_diary_of_something_else_is_not_believed(self, known):
        device = fill(make(), 300).file
        assert cold(device, 1, known)[0].head == 300

    @pytest.mark.parametrize("gap", [1, 2, 30, 64])
    def test_a_gap_in_the_numbers_is_searched_across(self, gap):
        for stored in (50, 120, 300, 383):
            this = fill(make(64, 60), stored)
            this.skip_to(stored + gap)
            fill(this, 40)
            assert cold(this.file)[0].head == stored + gap + 40

    @pytest.mark.parametrize("half", [0, 1])
    def test_one_half_of_the_readings_unreadable(self, half):
        for stored in (2, 57, 128, 301):
            base, this, node = wrapped(64, 60, stored)
            device = base.copy(0, 0)
            first = half * 128 + 64
            device.unreadable = set(range(first, first + 64))
            expected = stored if stored & 1 != half else stored - 1
            if stored > 10:
                # mending gives up on what cannot be written to, and says so
                with pytest.raises(CardError):
                    cold(device)
            assert ring_search.find_head(ring.Ring(device, 0xC0FFEE, 60, 0), lambda: None) == expected

    # in the first lap rubbish is not to be told from a place that was never written
    @pytest.mark.parametrize(
        ("kind", "stored"),
        [("unreadable", 360), ("unreadable", 1160), ("unreadable", 980), ("rubbish", 1160), ("rubbish", 980)],
    )
    def test_both_copies_of_the_places_that_the_search_asks_for_first(self, kind, stored):
        this = fill(make(200, 60), stored)
        # more of them than stepping over bad sectors from below would cross
        for sector in [base + place for base in (64, 328) for place in range(101 - 6, 101 + 34)]:
            if kind == "unreadable":
                this.file.unreadable.add(sector)
            else:
                this.file.sectors[sector] = bytes(512)
        assert ring_search.find_head(ring.Ring(this.file, 0xC0FFEE, 60, 0), lambda: None) == stored

    def test_both_sectors_after_the_head_unread_may_hold_newer_readings(self):
        this = fill(make(64, 60), 300)
        this.file.unreadable = {this.sector_of(299), this.sector_of(300)}
        with pytest.raises(CardError):
            cold(this.file)
        # one alone is what a cut write leaves
        this.file.unreadable = {this.sector_of(301)}
        assert cold(this.file)[0].head == 300

    def test_a_dead_card_is_given_up_soon(self):
        device = Filled(65440, 100000)
        device.read = failing = Failing()
        with pytest.raises(CardError):
            ring_search.find_head(ring.Ring(device, 5, 60, 0), lambda: None)
        assert failing.reads < 140

    def test_an_unreadable_card_is_not_an_empty_ring(self):
        device = fill(make(64, 60), 40).file
        before = device.image()
        device.unreadable = set(range(64, 128)) | set(range(192, 256))
        with pytest.raises(CardError):
            cold(device)
        assert device.image() == before

    def test_a_cut_first_write_that_cannot_be_read_leaves_a_usable_ring(self):
        device = make(64, 60).file
        device.unreadable = {ring.Ring(device, 0, 60, 0).sector_of(1)}
        assert cold(device, 9)[0].ring_id == 9

    @pytest.mark.parametrize("seed", range(40))
    def test_a_flaky_card_never_gives_a_wrong_head(self, seed):
        chance = random.Random(seed)
        stored = chance.randrange(2, 400)
        base, _, node = wrapped(64, 60, stored)
        device = base.copy(seed, 0)
        share = chance.choice([0.02, 0.1, 0.4])
        read = device.read

        def flaky(sector, buffer):
            if chance.random() < share:
                raise CardError("read")
            read(sector, buffer)

        device.read = flaky
        try:
            this = cold(device)[0]
        except CardError:
            return
        # the head's own sector may be the one that failed, and then only it is missed; the diary covers that
        assert stored - 1 <= this.head <= stored


@pytest.mark.parametrize("head", [930, 2 * 2034 + 5, 2 * 2036, 2 * 2039, 2 * 2500])
def test_both_beginnings_gone(head):
    # the first place that is looked at after them is 39: a head before it must be found all the same
    half = 1000
    this = fill(make(half, 60), head)
    for place in range(34):
        for base in (64, half + 128):
            this.file.sectors[base + place] = bytes(512)
    assert cold(this.file)[0].head == head


class TestAUnitGone:
    """The card loses 4 MiB, and with them the newest reading: it had no copy yet, and its number had been used."""

    HALF = 8128  # no unit has both halves' sectors of a place

    def gone(self, head):
        """The ring behind its unit, and what was stored; the unit has the last places of the half of `head`."""
        device, this, node = wrapped(self.HALF, 60, head)
        for seq in range(head, max(0, head - 2 * 2000), -2):
            device.sectors[this.sector_of(seq)] = b"\xee" * 512
        return device, node

    @pytest.mark.parametrize("head", [69, 70, 301, 302])
    def test_its_number_is_not_used_again(self, head):
        device, node = self.gone(head)
        # a start that stores nothing leaves the same for the next one
        assert cold(device)[0].head == head - 1 + 64
        this = cold(device)[0]
        assert this.head == head - 1 + 64
        for seq in range(1, head):
            assert bytes(this.read(seq)) == node.stored[seq]
        assert all(this.read(seq) is None for seq in range(head, this.head + 1))
        fill(this, 5, 1)
        again = cold(device)[0]
        assert again.head == this.head == head - 1 + 64 + 5
        assert [bytes(again.read(seq)) for seq in range(again.head - 4, again.head + 1)] == [
            content(seq, 60, 1) for seq in range(again.head - 4, again.head + 1)
        ]

    def test_nor_after_a_cut_or_a_reset_in_the_start_that_finds_it(self):
        class Reset(BaseException):
            pass

        base, _ = self.gone(301)
        for calls in (*range(1, 40), *range(40, 400, 7)):
            device = base.copy(1, 0)
            left = [calls]

            def feed(left=left):
                left[0] -= 1
                if left[0] == 0:
                    raise Reset

            try:
                ring_recovery.recover(device, EUI, 7, feed)
            except Reset:
                pass
            assert cold(device)[0].head == 300 + 64, calls
            # and once more before anything was stored
            assert cold(device)[0].head == 300 + 64, calls

    def test_the_first_write_behind_it_is_cut(self):
        base, node = self.gone(301)
        del node.stored[301]
        for kind in CUTS:
            device = base.copy(1, 3)
            this = cold(device)[0]
            assert run_into_cut(device, Node(60), this, 1, kind)
            this = cold(device)[0]
            assert this.head in (300 + 64, 300 + 65)
            for seq in node.stored:
                assert bytes(this.read(seq)) == node.stored[seq]

    def test_nor_where_it_is_in_the_dark_twice_with_one_reading_in_between(self):
        device, this, node = wrapped(self.HALF, 60, 300)
        device.unreadable = {this.sector_of(300)}
        this = cold(device, known=(this.ring_id, 300))[0]
        assert this.head == 299 + 64
        assert cold(device, known=(this.ring_id, this.head))[0].head == this.head
        node.appends(this, 1)
        device.unreadable.add(this.sector_of(364))
        assert cold(device, known=(this.ring_id, 364))[0].head == 364
        device.unreadable = set()
        this = cold(device, known=(this.ring_id, 364))[0]
        assert this.head == 364
        assert [bytes(this.read(seq)) for seq in (299, 300, 364)] == [node.stored[seq] for seq in (299, 300, 364)]

    @pytest.mark.parametrize("gone", [32, 33])
    def test_what_one_cut_can_take_is_mended_and_no_number_passed_over(self, gone):
        device, this, node = wrapped(self.HALF, 60, 300)
        for seq in range(299, 299 - 2 * gone, -2):
            device.sectors[this.sector_of(seq)] = bytes(512)
        this, _, mended = cold(device)
        assert (this.head, mended > 30) == ((300, True) if gone == 32 else (300 + 64, False))

    @pytest.mark.parametrize("kind", ["8 trashed", "32 trashed"])
    @pytest.mark.parametrize("head", [301, 302])
    def test_numbers_that_were_passed_over_are_no_unit_that_is_gone_afterwards(self, head, kind):
        base, node = self.gone(head)
        del node.stored[head]
        for offset, more in itertools.product((0, 13), range(1, 20)):
            device = base.copy(1, offset)
            this = cold(device)[0]
            assert this.passed_from == head - 1
            after = Node(60)
            after.appends(this, more)
            last = this.head
            assert run_into_cut(device, after, this, 1, kind)
            assert cold(device)[0].head in (last, last + 1), (offset, more)

    @pytest.mark.parametrize("told", [True, False])
    def test_both_beginnings_gone_one_after_the_other_use_no_number_again(self, told):
        """Of the first half little was mended when the other one goes: what was written since is beyond a gap."""
        device, this, node = wrapped(8193, 60, 80)
        for seq in range(2, 81, 2):
            device.sectors[this.sector_of(seq)] = b"\xee" * 512
        this = cold(device)[0]
        assert this.head == 79 + 64
        node.appends(this, 47)
        for seq in range(1, this.head + 1, 2):
            device.sectors[this.sector_of(seq)] = b"\xee" * 512
        newest = this.head - this.head % 2
        again = cold(device, known=(this.ring_id, this.head) if told else None)[0]
        assert again.head >= this.head
        assert bytes(again.read(newest)) == node.stored[newest]

    @pytest.mark.parametrize("marked", [True, False])
    @pytest.mark.parametrize("first", [0, 1])
    def test_a_unit_of_each_half_gone_one_after_the_other_anywhere(self, first, marked, monkeypatch):
        """Behind the gap that the first one left, what was stored since and no memory of it: the mark tells."""
        if not marked:
            monkeypatch.setattr(ring_mark, "keep", lambda *_: None)
        again_used = 0
        places = [(65440, 0, 1163, 67)]
        if marked:
            places += itertools.product((65440,), (0,), (41, 80, 9000), (1, 67, 3000))
            places += itertools.product((8193,), (0, 1), (5, 1163), (3, 47, 9000))
        for half, laps, before, between in places:
            device, this, node = wrapped(half, 60, laps * 2 * half + before)
            lose_unit(device, this, first)
            this = cold(device)[0]
            from_here = this.head
            node.appends(this, between)
            lose_unit(device, this, 1 - first)
            again = cold(device)[0]
            again_used += again.head < this.head
            if marked:
                missed = [seq for seq in range(from_here + 1, this.head) if again.read(seq) != node.stored[seq]]
                assert len(missed) <= (between < 4), (half, laps, before, between)
        assert (again_used > 0) is not marked

    @pytest.mark.parametrize("kind", CUTS)
    def test_a_cut_while_the_mark_is_written(self, kind):
        base, node = self.gone(301)
        del node.stored[301]
        cuts = 0
        for at_write, offset in itertools.product((1, 2, 3), (0, 13)):
            device = base.copy(1, offset)
            device.cut(at_write, kind)
            try:
                cold(device)
            except PowerLoss:
                cuts += 1
            device.power_on()
            this = cold(device)[0]
            assert this.head == 300 + 64
            assert all(bytes(this.read(seq)) == node.stored[seq] for seq in node.stored)
            for copy in (0, 1):
                assert device.sector(ring_layout.sector_of(0, copy, this.half))[:4] == ring_layout.MAGIC
        assert cuts >= 4  # both copies

    @pytest.mark.parametrize("copy", [0, 1])
    def test_a_copy_of_the_mark_that_is_gone_is_written_again(self, copy):
        device, this, _ = wrapped(self.HALF, 60, 301)
        lose_unit(device, this, 1)
        this = cold(device)[0]
        mark = ring_mark.load(this)
        assert mark == (this.passed_from, this.head)
        fill(this, 200, 1)
        for gone in (copy, 1 - copy):
            device.sectors[ring_layout.sector_of(ring_mark.SLOT, gone, this.half)] = b"\xee" * 512
            assert ring_mark.load(cold(device)[0]) == mark

    @pytest.mark.parametrize("unreadable", [(0,), (1,), (0, 1)])
    def test_a_layout_in_the_place_of_the_mark_that_cannot_be_read_is_not_written_over(self, unreadable):
        device, this, _ = wrapped(self.HALF, 60, 301)
        buffer = bytearray(512)
        for slot in range(1, ring_mark.SLOT + 1):
            ring_layout.encode(buffer, slot, 60, this.ring_id, this.half, EUI, "node", CHANNELS)
            ring_layout.write(device, slot, buffer)
        lose_unit(device, this, 1)
        device.unreadable = {ring_layout.sector_of(ring_mark.SLOT, copy, this.half) for copy in unreadable}
        assert cold(device)[0].passed_from == 300
        device.unreadable = set()
        assert ring_layout.load(device, ring_mark.SLOT, this.ring_id, bytearray(512)) is not None

    def test_a_layout_of_an_older_ring_does_not_keep_the_mark_out(self):
        device, this, _ = wrapped(self.HALF, 60, 301)
        buffer = bytearray(512)
        ring_layout.encode(buffer, ring_mark.SLOT, 60, this.ring_id ^ 1, this.half, EUI, "node", CHANNELS)
        ring_layout.write(device, ring_mark.SLOT, buffer)
        lose_unit(device, this, 1)
        this = cold(device)[0]
        assert ring_mark.load(this) == (this.passed_from, this.head)

    @pytest.mark.parametrize("half", [8193, 65440])
    def test_memory_of_a_number_behind_a_long_gap_is_believed(self, half):
        device, this, node = wrapped(half, 60, 300)
        lose_unit(device, this, 0)
        this = cold(device)[0]
        assert ring_mark.load(this) == (299, 299 + 64)
        lose_unit(device, this, 1)
        this = cold(device)[0]
        node.appends(this, 1)
        newest = this.head
        device.sectors[this.sector_of(newest)] = b"\xee" * 512
        assert cold(device, known=(this.ring_id, newest))[0].head >= newest

    def test_readings_behind_the_mark_in_the_dark_are_not_taken_for_none(self):
        device, this, node = wrapped(self.HALF, 60, 301)
        lose_unit(device, this, 1)
        this = cold(device)[0]
        node.appends(this, 2)
        device.unreadable = {this.sector_of(this.head), this.sector_of(this.head - 1)}
        with pytest.raises(CardError):
            cold(device)
        device.unreadable = set()
        assert cold(device)[0].head == this.head

    def test_a_newest_reading_that_comes_and_goes_costs_no_more_numbers_each_time(self):
        device, this, node = wrapped(self.HALF, 60, 301)
        lose_unit(device, this, 1)
        heads = []
        for dark in (True, False) * 3:
            device.unreadable = {this.sector_of(300)} if dark else set()
            heads.append(cold(device)[0].head)
        assert len(set(heads[1:])) == 1

    def test_a_mark_that_the_card_does_not_take_any_more_is_found_to_be_old(self):
        device, this, node = wrapped(20000, 60, 9000)
        lose_unit(device, this, 0)
        this = cold(device)[0]
        assert ring_mark.load(this)[1] == this.head
        marks = {ring_layout.sector_of(ring_mark.SLOT, copy, this.half): None for copy in (0, 1)}
        for sector in marks:
            marks[sector] = device.sector(sector)
        lose_unit(device, this, 1)
        for _ in range(3):
            this = cold(device)[0]
            device.sectors.update(marks)
            assert this.head >= max(node.stored)
            node.appends(this, 10)
            assert bytes(cold(device)[0].read(this.head)) == node.stored[this.head]

    def test_a_layout_takes_the_place_of_the_mark_and_keeps_it(self):
        device, this, _ = wrapped(self.HALF, 60, 301)
        buffer = bytearray(512)
        ring_layout.encode(buffer, ring_mark.SLOT, 60, this.ring_id, this.half, EUI, "node", CHANNELS)
        lose_unit(device, this, 1)
        this = cold(device)[0]
        assert ring_mark.load(this) == (this.passed_from, this.head)
        ring_layout.write(device, ring_mark.SLOT, buffer)
        assert ring_mark.load(this) == (0, 0)
        fill(this, 200, 1)
        lose_unit(device, this, 1)
        this, slots, _ = cold(device)
        assert this.passed_from > 0
        assert slots == ring_mark.SLOT + 1
        assert [device.sector(ring_layout.sector_of(ring_mark.SLOT, copy, this.half)) for copy in (0, 1)] == [
            buffer
        ] * 2

    @pytest.mark.parametrize("seed", range(40))
    def test_whatever_befalls_a_card_no_number_but_the_newest_comes_again(self, seed):
        """Units, cuts, cuts in the start after them, with and without memory: one thing at a time, in any order."""
        chance = random.Random(seed)
        half = chance.choice([8193, 8300, 12000, 65440])
        device, this, node = wrapped(half, 60, chance.choice([5, 40, 63, 64, 70, 300, 1163, 5000]))
        for _ in range(chance.randrange(2, 7)):
            newest = this.head
            what = chance.choice(["unit", "unit", "cut", "reset"])
            if what == "unit":
                lose_unit(device, this, chance.randrange(2))
            elif what == "cut":
                run_into_cut(device, node, this, chance.randrange(1, 4), chance.choice(CUTS), 3)
                newest = this.head
            known = (this.ring_id, newest) if chance.random() < 0.4 else None
            if chance.random() < 0.2:
                device.cut(chance.randrange(1, 8), chance.choice(CUTS))
                try:
                    cold(device, known=known)
                except PowerLoss:
                    pass
                device.power_on()
            before = this.ring_id
            this = cold(device, chance.randrange(1, 1 << 32), known)[0]
            assert this.head >= newest - (known is None) or this.ring_id != before
            node.appends(this, chance.choice([0, 1, 2, 3, 10, 47, 68, 200, 2000]))


def lose_unit(device, this, half):
    """Spoil the 4 MiB of the card in which the newest reading of a half lies."""
    first = this.sector_of(this.head - ((this.head ^ half) & 1)) // 8192 * 8192
    for sector in range(first, first + 8192):
        if sector in device.sectors:
            device.sectors[sector] = b"\xee" * 512


class TestMending:
    def test_a_rebuilt_sector_is_the_one_that_was_lost(self):
        this = make(64, 60)
        this.acked_to = 9
        for seq in range(1, 301):
            this.append(bytes(6) + b"\x03\x00" + content(seq, 52), ANCHOR)
        device = this.file
        before = device.image()
        for half in (0, 1):
            trashed = device.copy(half, 0)
            mended = 0
            # more at once is no power cut
            for group in (range(32), range(32, 64)):
                for place in group:
                    if this.sector_of(300) != half * 128 + 64 + place:
                        trashed.sectors[half * 128 + 64 + place] = bytes(512)
                mended += cold(trashed)[2]
            assert mended == 64 - (half == 0)
            # all but the oldest, whose older records are overwritten
            same = [place for place in before if trashed.sector(place) == before[place]]
            assert len(before) - len(same) <= 1

    def test_a_rebuilt_sector_states_its_own_run(self):
        anchors = {1: (1, 1000, 3, 1000), 2: (2, 5000, 4, 5000)}
        for last_of_first in range(196, 201):
            this = make(64, 60)
            for seq in range(1, 231):
                run = 1 if seq <= last_of_first else 2
                data = bytes(6) + run.to_bytes(2, "little") + content(seq, 52)
                this.append(data, anchors[run])
            for seq in range(190, 210, 2):
                this.file.sectors[this.sector_of(seq)] = bytes(512)
            again, _, mended = cold(this.file)
            assert mended == 10
            for seq in range(190, 210):
                assert again.anchor_in(seq, bytearray(512)) == anchors[1 if seq <= last_of_first else 2]

    def test_a_rebuilt_sector_has_no_hole(self):
        this = fill(make(64, 60), 300)
        this.skip_to(302)
        fill(this, 10)
        this.file.sectors[this.sector_of(305)] = bytes(512)
        again, _, mended = cold(this.file)
        assert mended == 1
        assert this.file.sector(this.sector_of(305))[5] == 3
        for seq in (300, 303, 304, 305, 312):
            assert bytes(again.read(seq)) == content(seq, 60)
        assert again.read(301) is None


class TestSearchCost:
    def count(self, half, head):
        """Sectors read by a search on a ring whose every reading up to `head` is there, made up as it is read."""
        device = Filled(half, head)
        found = ring.Ring(device, 5, 60, 0)
        assert ring_search.find_head(found, lambda: None) == head
        return device.reads

    @pytest.mark.parametrize(("sector_count", "samples"), [(8192, 150), (131072, 60)])
    def test_reads_of_a_cold_search(self, sector_count, samples, capsys):
        half = ring.half_sectors(sector_count)
        chance = random.Random(sector_count)
        heads = [chance.randrange(1, 6 * half) for _ in range(samples)] + [1, 2, 2 * half - 1, 2 * half, 2 * half + 1]
        counts = [self.count(half, head) for head in heads]
        with capsys.disabled():
            mean = sum(counts) / len(counts)
            print(f"\ncold search, {sector_count} sectors: mean {mean:.0f}, max {max(counts)} reads")
        assert max(counts) <= 257

    @pytest.mark.parametrize(
        ("laps", "heads", "reads_max"), [(0, (4000, 9001), 45000), *((n, (1203, 1500, 4000), 3000) for n in (1, 5))]
    )
    def test_a_large_ring_whose_halves_have_both_lost_their_beginning(self, laps, heads, reads_max):
        half = ring.half_sectors(131072)
        for head in heads:
            device = Filled(half, laps * 2 * half + head, lost=range(600))
            assert ring_search.find_head(ring.Ring(device, 5, 60, 0), lambda: None) == device.head
            assert device.reads <= reads_max

    def test_an_empty_ring(self, capsys):
        half = ring.half_sectors(131072)
        device = Filled(half, 0)
        assert ring_search.find_head(ring.Ring(device, 5, 60, 0), lambda: None) == 0
        assert device.reads <= 400


class Failing:
    reads = 0

    def __call__(self, sector, buffer):
        self.reads += 1
        raise CardError("read")


class Filled:
    """A ring file that holds every reading up to a head, without the memory for it."""

    def __init__(self, half, head, lost=()):
        """lost: places of both halves that hold rubbish."""
        self.lost = lost
        self.sector_count = sectors(half)
        self.half, self.head, self.reads = half, head, 0
        self._helper = None

    def read(self, sector, buffer):
        self.reads += 1
        buffer[:] = b"\xa5" * 512
        half, place = divmod(sector - 64, self.half + 64)
        pair = (self.head - ((self.head ^ half) & 1)) >> 1
        seq = 2 * (pair - (pair - place) % self.half) + half
        if seq >= 1 and self.head and place not in self.lost:
            ring.write_header(buffer, 1, 60, 5, seq, 0, ANCHOR)
            ring.seal(buffer)


def test_feeding_the_watchdog():
    device = fill(make(), 300).file
    device.reads = 0
    fed = []
    reads_at = []

    def feed():
        fed.append(device.reads - (reads_at[-1] if reads_at else 0))
        reads_at.append(device.reads)

    ring_recovery.recover(device, EUI, 1, feed)
    assert len(fed) > 100
    # a card may take half a second a read (platform facts: more than 500 ms is recommended)
    assert max(fed) <= 8
