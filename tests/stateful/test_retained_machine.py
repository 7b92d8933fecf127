"""The diary and the held readings against plain values. Law: what is read is what was saved, or nothing at all.

Retained memory loses its power at any byte of a save, rots bit by bit, is zeroed by some resets and cut short by
others; what the diary and the readings behind it lose, they lose each by themselves.
"""

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from stateful_budget import budget
from test_retained import TABLE, fresh, state, values_of
from torpor.held import Held
from torpor.retained import FAULTS, SIZE, Retained

FIELDS = [(field, code) for _, code, field in TABLE if field != "faults"]
STRIDE, CHANNELS = 18, 0xBEEF


class Torn(bytearray):
    """Memory whose power goes after `left` bytes have been written."""

    left = None

    def __setitem__(self, where, data):
        if self.left is not None:
            data = bytes(data)[: self.left]
            begin = where.start or 0
            where = slice(begin, begin + len(data))
            self.left -= len(data)
        super().__setitem__(where, data)


class RetainedMachine(RuleBasedStateMachine):
    """`saved` and `saved_records` are what the last whole save wrote; `images` every image that a save wrote."""

    @initialize(room=st.sampled_from([0, 10, 60, 200]))
    def cold(self, room):
        self.memory = Torn(SIZE + room)
        self.diary = Retained(self.memory)
        assert self.diary.cold
        self.values = fresh()
        self.images = {}
        self.held = Held(self.memory, STRIDE, CHANNELS, 1)
        self.records, self.head, self.ring_id, self.held_images, self.salt = [], 0, 1, {}, 1

    @rule(data=st.data(), index=st.integers(0, len(FIELDS) - 1))
    def set_a_field(self, data, index):
        field, code = FIELDS[index]
        self.values[field] = data.draw(values_of(code))
        setattr(self.diary, field, self.values[field])

    @rule(fault=st.sampled_from(FAULTS), times=st.sampled_from([1, 2, 300]))
    def count_a_fault(self, fault, times):
        counts = bytearray(self.values["faults"])
        at = FAULTS.index(fault)
        for _ in range(times):
            self.diary.count(fault)
        counts[at] = min(255, counts[at] + times)
        self.values["faults"] = bytes(counts)

    @rule(slots=st.integers(0, 70000), readings=st.integers(0, 70000))
    def count_what_is_missing(self, slots, readings):
        self.diary.add_missed(slots)
        self.diary.add_unstored(readings)
        self.values["missed"] = min(65535, self.values["missed"] + slots)
        self.values["unstored"] = min(65535, self.values["unstored"] + readings)

    @rule()
    def save(self):
        self.diary.save()
        self.images[bytes(self.memory[:SIZE])] = dict(self.values)

    @rule(count=st.integers(1, 4))
    def hold(self, count):
        for _ in range(count):
            self.salt += 1
            record = self.salt.to_bytes(STRIDE, "little")
            full = len(self.records) == self.held.capacity
            assert self.held.add(record) == full
            self.head += 1
            self.records = [*self.records, record][-self.held.capacity :] if self.held.capacity else []
        self.note_held()

    @rule(back=st.integers(-2, 12))
    def accept_held(self, back):
        self.held.accept(self.head - back)
        kept = self.records[-back:] if back > 0 else []
        if len(kept) < len(self.records):
            self.records = kept
            self.note_held()

    def note_held(self):
        area = bytes(self.memory[SIZE:])
        if len(area) >= 24:
            # what lies behind the last record is not part of it
            end = 24 + STRIDE * len(self.records)
            self.held_images[area[:end]] = (self.ring_id, self.head, list(self.records))

    @rule(left=st.integers(0, SIZE - 1))
    def cut_in_a_save(self, left):
        image = Torn(bytes(SIZE))
        other = Retained(image)
        for field, value in self.values.items():
            setattr(other, field, bytearray(value) if field == "faults" else value)
        other.save()
        self.images[bytes(image)] = dict(self.values)
        self.memory.left = left
        self.diary.save()
        self.memory.left = None
        self.wake()

    @rule(bits=st.lists(st.integers(0, 8 * 400), min_size=1, max_size=5))
    def bits_rot(self, bits):
        for bit in bits:
            at = bit // 8 % len(self.memory)
            bytearray.__setitem__(self.memory, at, self.memory[at] ^ 1 << bit % 8)
        self.wake()

    @rule(first=st.integers(0, 400), size=st.integers(1, 400), byte=st.sampled_from([0, 0xFF]))
    def a_part_is_blanked(self, first, size, byte):
        for at in range(first, min(first + size, len(self.memory))):
            bytearray.__setitem__(self.memory, at, byte)
        self.wake()

    @rule(size=st.integers(0, SIZE + 40))
    def another_board_has_less(self, size):
        short = bytearray(self.memory[:size])
        found = Retained(short)
        assert found.cold == (bytes(short[:SIZE]) not in self.images)
        Held(short, STRIDE, CHANNELS, 7)

    @rule(channels=st.sampled_from([CHANNELS, CHANNELS ^ 1]), stride=st.sampled_from([STRIDE, STRIDE + 6]))
    def other_channels(self, channels, stride):
        found = Held(bytearray(self.memory), stride, channels, 7)
        if (channels, stride) != (CHANNELS, STRIDE):
            assert found.count() == 0
            whole = self.held_behind()
            assert found.lost == (len(whole[2]) if whole else 0)

    @rule()
    def wake(self):
        """Read what there is: a whole image of some save, or a cold start."""
        before = bytes(self.memory)
        self.diary = Retained(self.memory)
        wanted = self.images.get(before[:SIZE])
        assert self.diary.cold == (wanted is None)
        self.values = dict(wanted) if wanted else fresh()
        self.salt += 1
        self.held = Held(self.memory, STRIDE, CHANNELS, self.salt)
        whole = self.held_behind()
        self.ring_id, self.head, self.records = whole or (self.salt, 0, [])
        self.records = list(self.records)
        assert bytes(self.memory) == before

    def held_behind(self):
        """What whole image of held readings lies in memory, None for none."""
        area = bytes(self.memory[SIZE:])
        for image, state_then in self.held_images.items():
            if area[: len(image)] == image:
                return state_then
        return None

    @invariant()
    def in_force(self):
        if not hasattr(self, "diary"):
            return
        assert state(self.diary) == self.values
        assert (self.held.ring_id, self.held.head, self.held.count()) == (self.ring_id, self.head, len(self.records))
        for index, record in enumerate(self.records):
            assert bytes(self.held.read(self.held.first() + index)) == record


RetainedMachine.TestCase.settings = budget(150, 20)
TestRetained = RetainedMachine.TestCase
