"""The ring against a plain list. Law: what was stored is there and no number has two contents, whatever has happened.

One fault at a time and any number of them: power cuts in an append, in a change of layout and in the repair after
one; writes that vanish or land unseen; a card that refuses; a sector that cannot be read during a start.
"""

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from ring_device import CUTS, Device, PowerLoss
from stateful_budget import budget
from test_ring import ANCHOR, CHANNELS, EUI, content, make, sectors
from torpor import record, ring, ring_layout, ring_recovery
from torpor.errors import CardError

CUT = st.sampled_from(CUTS)


class RingMachine(RuleBasedStateMachine):
    """`readings` holds the bytes of each number, from 1; `tried` what failed writes may have left as the next one."""

    @initialize(
        half=st.sampled_from([64, 65, 80]),
        channels=st.integers(1, 37),
        first_sector=st.integers(0, 31),
        seed=st.integers(0, 99),
        before=st.sampled_from([0, 1, 30, 128, 129, 250, 400]),
    )
    def create(self, half, channels, first_sector, seed, before):
        self.device = Device(sectors(half), seed, first_sector)
        self.half = half
        self.ring = make(half, record.stride(channels), self.device)
        self.stride = self.ring.stride
        self.readings = []
        self.tried = set()
        self.acked_to = 0
        self.layouts = [CHANNELS]
        self.layout_tried = None
        self.salt = 0
        self.names = 0
        self.name = self.ring.ring_id
        for _ in range(before):
            self.append()

    def on(self):
        return self.ring is not None

    def up(self):
        """After a power cut, whatever comes next begins with a cold start."""
        if not self.on():
            self.start(diary=False)

    def next_content(self):
        self.salt += 1
        data = content(len(self.readings) + 1, self.stride, self.salt)
        self.tried.add(data)
        return data

    def append(self):
        data = self.next_content()
        seq = self.ring.append(data, ANCHOR)
        self.readings.append(data)
        self.tried = set()
        assert seq == len(self.readings)

    def append_in_vain(self):
        try:
            self.ring.append(self.next_content(), ANCHOR)
        except CardError:
            return
        raise AssertionError("a reading that does not read back was called stored")

    @rule(count=st.integers(1, 90))
    def store(self, count):
        self.up()
        for _ in range(count):
            self.append()

    @rule(share=st.integers(0, 100))
    def accept(self, share):
        self.up()
        self.acked_to = self.ring.acked_to = max(self.acked_to, len(self.readings) * share // 100)

    @rule(times=st.integers(1, 3))
    def writes_vanish(self, times):
        self.up()
        self.device.dropping = True
        for _ in range(times):
            self.append_in_vain()
        self.device.dropping = False

    @rule()
    def the_card_refuses(self):
        self.up()
        self.device.refusing = True
        self.append_in_vain()
        assert not ring.Ring(self.device, self.ring.ring_id, 0, len(self.readings)).resume()
        self.device.refusing = False

    @rule()
    def a_write_lands_unseen(self):
        self.up()
        self.device.unreadable = {self.ring.sector_of(self.ring.head + 1)}
        self.append_in_vain()
        self.device.unreadable = set()

    @rule(behind=st.integers(0, 9))
    def wake_with_a_hint(self, behind):
        """A usual wake: retained memory knows the ring and the head."""
        self.up()
        hinted = ring.Ring(self.device, self.name, 0, max(0, len(self.readings) - behind))
        if hinted.resume():
            self.ring = hinted
            self.took_over()
            hinted.acked_to = self.acked_to
        else:
            self.start(diary=True)

    @rule(at_write=st.integers(1, 40), kind=CUT)
    def cut_in_an_append(self, at_write, kind):
        self.up()
        self.device.cut(at_write, kind)
        try:
            while True:
                self.append()
        except PowerLoss:
            self.ring = None
        finally:
            self.device.power_on()

    @rule(first=st.integers(1, 40), second=st.integers(1, 6), kind=st.sampled_from(["8 trashed", "32 trashed"]))
    def reset_between_two_cuts(self, first, second, kind):
        """A reset in the middle of a write, where retained memory is whole, and soon after it a loss of power."""
        self.cut_in_an_append(first, kind)
        self.start(diary=True)
        self.cut_in_an_append(second, kind)

    @rule(count=st.integers(1, 12), cut=st.one_of(st.none(), st.tuples(st.integers(1, 24), CUT)))
    def change_layouts(self, count, cut):
        self.up()
        buffer = bytearray(512)
        if cut:
            self.device.cut(*cut)
        try:
            for _ in range(count):
                slot = len(self.layouts)
                if slot == ring.LAYOUT_SLOTS or ring_layout.endangers(self.ring, slot):
                    break
                self.layout_tried = [(f"channel-{slot}", "Cel", -2, "sht")]
                this = self.ring
                ring_layout.encode(
                    buffer, slot, this.stride, this.ring_id, this.half, EUI, "north-stack", self.layout_tried
                )
                ring_layout.write(self.device, slot, buffer)
                self.layouts.append(self.layout_tried)
                self.layout_tried = None
        except PowerLoss:
            self.ring = None
        finally:
            self.device.power_on()

    @precondition(lambda self: not self.on())
    @rule(at_write=st.integers(1, 40), kind=CUT)
    def cut_in_the_repair(self, at_write, kind):
        self.device.cut(at_write, kind)
        try:
            self.start(diary=False)
        except PowerLoss:
            pass
        finally:
            self.device.power_on()

    @rule(diary=st.booleans())
    def cold_start(self, diary):
        self.start(diary)

    # where the newest is in the dark numbers are passed over, which takes more room than these small rings have
    @precondition(lambda self: self.on() and not self.tried and len(self.readings) > 1)
    @rule(place=st.integers(0, 10**6))
    def start_with_an_unreadable_sector(self, place):
        place %= self.device.sector_count
        if place != self.ring.sector_of(self.ring.head):
            self.device.unreadable = {place}
        self.start(diary=True)
        self.device.unreadable = set()

    def start(self, diary):
        """A cold start, with or without what the diary remembers."""
        known = (self.name, len(self.readings)) if diary and self.readings else None
        # a name that no ring on this card has had
        self.names += 1
        self.ring, slots, _ = ring_recovery.recover(self.device, EUI, self.names, lambda: None, known)
        self.name = self.ring.ring_id
        if self.ring.head == 0:
            # the numbers begin again under a new name, and so do the layouts
            assert not self.readings
            self.layouts, self.layout_tried, self.tried = [CHANNELS], None, set()
        if self.layout_tried and slots > len(self.layouts):
            self.layouts.append(self.layout_tried)
        self.layout_tried = None
        # a slot of which a copy cannot be mended is not counted
        assert slots == len(self.layouts) or self.device.unreadable
        for slot in range(len(self.layouts)):
            for copy in (0, 1):
                place = ring_layout.sector_of(slot, copy, self.half)
                found = ring_layout.decode(self.device.sector(place), slot)
                assert found is not None, "a copy of a layout was not mended"
                assert found[5] == self.layouts[slot]
        self.took_over()
        assert self.ring.acked_to <= self.acked_to
        if known:
            self.ring.acked_to = self.acked_to
        self.acked_to = self.ring.acked_to
        self.all_there()

    def took_over(self):
        """A start may find one reading more than was reported: one whose write failed."""
        if self.ring.head == len(self.readings) + 1:
            data = bytes(self.ring.read(self.ring.head))
            assert data in self.tried, "what was never written appeared"
            self.readings.append(data)
            self.tried = set()
        assert self.ring.head == len(self.readings)

    def is_there(self, seq):
        data = self.ring.read(seq)
        assert data is not None, f"{seq} of {self.ring.head} is lost"
        assert bytes(data) == self.readings[seq - 1], f"{seq} has other contents"

    def all_there(self):
        for seq in range(self.ring.oldest(), self.ring.head + 1):
            self.is_there(seq)

    @precondition(on)
    @invariant()
    def ends_and_samples(self):
        this, count = self.ring, len(self.readings)
        assert (this.head, this.oldest()) == (count, max(1, count - 2 * self.half + 1))
        assert this.tail() == max(self.acked_to + 1, this.oldest())
        assert this.read(count + 1) is None
        for seq in {count, this.oldest(), this.tail(), (this.oldest() + count) // 2}:
            if this.oldest() <= seq <= count:
                self.is_there(seq)

    def teardown(self):
        if hasattr(self, "device"):
            self.start(diary=False)
            self.start(diary=False)


RingMachine.TestCase.settings = budget(200, 20)
TestRing = RingMachine.TestCase
