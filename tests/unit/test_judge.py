"""The judge on histories made by hand. Law: for each promise the smallest history that breaks it is named, and the
nearest one that keeps it is not. Sectors and retained memory are laid out here by docs/formats.md.
"""

import json
import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hostsim import judge as judges
from hostsim.card_format import half_of, place_of
from hostsim.invariants import Invariants
from hostsim.judge import Judge
from hostsim.sector_watch import SectorWatch
from hostsim.tally import Tally

START_S = 1_800_000_000  # a multiple of 600
EVERY_MS = 600_000
SECTORS = 320  # the smallest ring: 64 readings in each half
CAPACITY = 2 * half_of(SECTORS)
RING = 0x5EED1234
HELD_RING = 0x0A0B0C0D
EUI = "02a1b2fffec3d4e5"
CHANNELS = [("temperature", "Cel", -2, "a.B"), ("battery", "V", -3, "analog")]
STRIDE = 12 + 6 * len(CHANNELS)
ABSENT = -(2**31)
SETTINGS = {
    "node": "bench",
    "sample_every_s": 600,
    "time": {"drift_ppm_max": 10},
    "network": [{"ssid": "shed", "password": "nobody-may-read-this"}],
    "broker": {"host": "b.example", "username": "bench", "password": 'nor-"this"'},
    "battery": {"write_off_mv": 3200, "write_on_mv": 3300},
    "status": {"service_s": 60},
}


def sealed(data, at):
    return data[:at] + struct.pack("<I", zlib.crc32(data[:at])) + data[at + 4 :]


def text(word):
    return bytes([len(word)]) + word.encode()


def layout_sector(slot=0, channels=CHANNELS, ring=RING, stride=STRIDE):
    data = struct.pack("<4sBBHIIBB8s", b"tpLy", 1, slot, stride, ring, half_of(SECTORS), len(channels), 0, bytes(8))
    data += text("bench")
    for name, unit, exponent, sensor in channels:
        data += text(name) + text(unit) + text(sensor) + struct.pack("<b", exponent)
    return sealed(data.ljust(512, b"\0"), 508)


def record(time_s=0, uncertainty_s=65535, values=(2000, 3900), run=1, layout=0, flags=0, channel_flags=(0, 0)):
    data = struct.pack("<IHHBBH", time_s, uncertainty_s, run, layout, 0, flags)
    for value, flag in zip(values, channel_flags, strict=True):
        data += struct.pack("<iH", value, flag)
    return data


def data_sector(seq, records, acked_to=0, ring=RING, stride=STRIDE, anchor=(1, 0, 0, 0)):
    data = struct.pack("<4sBBHIIIHIHI", b"tpRg", 1, len(records), stride, ring, seq, acked_to, *anchor)
    return sealed((data + b"".join(records)).ljust(512, b"\0"), 508)


def pack(seq, time_s=None, uncertainty_s=2, values=("20.00", "3.900"), run=(1, 0), ring=RING, names=None, **more):
    """A pack as text, so that the digits are the test's."""
    base = f'"bn":"urn:dev:mac:{more.get("device", EUI)}_"'
    if time_s is None:
        parts = [f'{{{base},"n":"seq","v":{seq}}}', f'{{"n":"ring","vs":"{ring:08x}"}}']
        parts += [f'{{"n":"run","v":{run[0]}}}', f'{{"n":"run-time","u":"s","v":{run[1]}}}']
    else:
        parts = [f'{{{base},"bt":{time_s},"n":"seq","v":{seq}}}', f'{{"n":"ring","vs":"{ring:08x}"}}']
        parts.append(f'{{"n":"time-uncertainty","u":"s","v":{uncertainty_s}}}')
    if more.get("flags"):
        parts.append(f'{{"n":"flags","v":{more["flags"]}}}')
    units = more.get("units", ("Cel", "V"))
    for name, unit, value in zip(names or ("temperature", "battery"), units, values, strict=True):
        if value is not None:
            parts.append(f'{{"n":"{name}","u":"{unit}","v":{value}}}')
    parts += more.get("extra", [])
    return ("[" + ",".join(parts) + "]").encode()


class Diary:
    """Retained memory with the few fields that the judge reads."""

    def __init__(self, size=2048):
        self.memory = bytearray(size)
        self.head = self.acked_to = self.missed = self.unstored = self.overwritten = 0
        self.area = None  # (head, records)

    def save(self, ring=RING):
        memory = self.memory
        memory[0:3] = bytes((0x74, 1, 32 if self.area is not None else 0))
        struct.pack_into("<III", memory, 7, ring, self.head, self.acked_to)
        struct.pack_into("<HHI", memory, 81, self.missed, self.unstored, self.overwritten)
        struct.pack_into("<I", memory, 132, zlib.crc32(memory[:132]))
        if self.area is not None:
            head, records = self.area
            body = struct.pack("<IIIHHHH", HELD_RING, head, 0, len(records), STRIDE, 0, 0) + b"".join(records)
            memory[136 : 140 + len(body)] = struct.pack("<I", zlib.crc32(body)) + body

    def lose(self):
        self.memory[:] = bytes(len(self.memory))
        self.missed = self.unstored = self.overwritten = 0
        self.area = None


class Bench:
    """One node's history, wake by wake. A wake is at a slot; time is known from the first wake's end unless told."""

    def __init__(self, **changes):
        self.invariants = Invariants("torpor rehearse", lambda t_ms: f"{t_ms} ms")
        self.judge = Judge("bench", SETTINGS | changes, START_S, self.invariants, Tally(10, 86400))
        self.judge.arrivals.device = EUI
        self.diary = Diary()
        self.card = {}
        self.records = {}
        self.newest = 0
        self.now_ms = 0
        self.write(0, layout_sector())
        self.write(64 + half_of(SECTORS), layout_sector())

    def write(self, sector, data):
        self.card[sector] = bytes(data)
        self.judge.sector_written(self.now_ms, sector, data, SECTORS)

    def begin(self, slot, **more):
        self.now_ms = slot * EVERY_MS + 1000
        self.judge.wake_began(self.now_ms, self.diary.memory, **more)

    def sense(self, *values):
        self.now_ms += 100
        for value in values or (20.0, 3.9):
            self.judge.sensed(self.now_ms, value)

    def time_s(self):
        return START_S + self.now_ms // 1000

    def store(self, seq=None, count=2, acked_to=None, data=None, **more):
        """Write reading `seq` to its place, with copies of those before it."""
        seq = self.newest + 1 if seq is None else seq
        self.records[seq] = data or record(self.time_s(), 2)
        window = [self.records[s] for s in range(max(1, seq - count + 1), seq + 1) if s in self.records]
        acked_to = self.diary.acked_to if acked_to is None else acked_to
        self.write(place_of(seq, half_of(SECTORS)), data_sector(seq, window, acked_to, **more))
        self.newest = max(self.newest, seq)
        return seq

    def end(self, end="sleep", battery_mv=3900):
        self.now_ms += 100
        self.diary.head = self.newest
        self.diary.save()
        self.judge.wake_ended(self.now_ms, end, battery_mv)

    def set_clock(self):
        self.judge.clock_set(self.now_ms, self.time_s())

    def publish(self, seq, **more):
        stored = self.records[seq]
        time_s, uncertainty_s, run = struct.unpack_from("<IHH", stored)
        if uncertainty_s == 65535:
            more.setdefault("run", (run, time_s))
        else:
            more = {"time_s": time_s, "uncertainty_s": uncertainty_s} | more
        self.judge.published(self.now_ms, "readings", pack(seq, **more))

    def accept(self, seq):
        self.publish(seq)
        self.diary.acked_to = seq

    def run(self, slots, deliver=False, **more):
        """Usual wakes: sense, store, and deliver where asked."""
        for slot in slots:
            self.begin(slot)
            if slot == 0:
                self.set_clock()
            self.sense()
            seq = self.store(**more)
            if deliver:
                self.judge.radio_on(self.now_ms)
                self.accept(seq)
            self.end()
        return self

    def finish(self, slots, excuse=None):
        self.now_ms = slots * EVERY_MS + 120_000
        return self.judge.finish(self.now_ms, self.card.get, SECTORS, excuse)

    def broken(self):
        return {i: e.evidence for i, e in self.invariants.all.items() if e.state == "broken"}


def balanced(count):
    total = count["delivered"] + count["waiting"] + count["overwritten"] + count["lost"]
    return count["stored"] == total and min(count.values()) >= 0


def test_an_uneventful_history_breaks_nothing():
    bench = Bench().run(range(10), deliver=True)
    count = bench.finish(9)
    assert bench.broken() == {}
    assert (count["stored"], count["delivered"], count["waiting"]) == (10, 10, 0)
    assert (bench.judge.slots.due, bench.judge.slots.missed) == (10, 0)


# --- 1: stored readings are delivered, or wait, or were seen to be overwritten ------------------------------------


def test_what_was_never_sent_waits():
    bench = Bench().run(range(5))
    count = bench.finish(4)
    assert bench.broken() == {}
    assert count["waiting"] == 5
    assert balanced(count)


@pytest.mark.parametrize("copies", [1, 2])
def test_a_destroyed_sector_is_a_loss_unless_another_repeats_it(copies):
    bench = Bench().run(range(6), count=copies)
    bench.card[place_of(3, half_of(SECTORS))] = bytes(512)
    count = bench.finish(5)
    assert balanced(count)
    assert count["lost"] == (1 if copies == 1 else 0)
    assert (1 in bench.broken()) == (copies == 1)


def test_a_sector_changed_behind_the_judge_is_a_loss():
    bench = Bench().run(range(3), count=1)
    other = record(START_S, 3, (2001, 3900))
    bench.card[place_of(2, half_of(SECTORS))] = data_sector(2, [other])
    assert bench.finish(2)["lost"] == 1


def test_an_accepted_prefix_beyond_what_arrived_is_named_at_once():
    bench = Bench().run(range(3), deliver=True)
    bench.diary.acked_to = 3
    bench.run(range(3, 5))
    assert bench.broken() == {}
    bench.diary.acked_to = 4
    bench.run([5])
    assert "reading 4" in bench.broken()[1]
    assert bench.finish(5)["lost"] == 1


def test_an_accepted_prefix_beyond_what_exists_is_named():
    bench = Bench().run(range(3), deliver=True)
    bench.diary.acked_to = 4
    bench.run([3])
    assert "reading 4" in bench.broken()[1]


def test_an_overwritten_reading_is_seen_and_counted():
    bench = Bench().run(range(CAPACITY))
    assert bench.judge.tally.waiting()[-1] == CAPACITY
    bench.diary.overwritten = 3
    bench.run(range(CAPACITY, CAPACITY + 3))
    count = bench.finish(CAPACITY + 2)
    assert bench.broken() == {}
    assert (count["stored"], count["overwritten"], count["waiting"]) == (CAPACITY + 3, 3, CAPACITY)
    assert bench.judge.tally.waiting()[-1] == CAPACITY


@pytest.mark.parametrize("counted", [0, 2, 4])
def test_the_node_must_count_what_it_overwrites(counted):
    bench = Bench().run(range(CAPACITY))
    bench.diary.overwritten = counted
    bench.run(range(CAPACITY, CAPACITY + 3))
    bench.finish(CAPACITY + 2)
    assert "overwritten" in bench.broken()[1]


def test_an_overwritten_reading_that_counted_as_accepted_is_a_loss():
    bench = Bench().run(range(CAPACITY))
    bench.judge.arrivals.prompt = False  # nobody may say yet that it will not arrive
    bench.run([CAPACITY], acked_to=1)
    count = bench.finish(CAPACITY)
    assert balanced(count)
    assert count["lost"] == 1
    assert 1 in bench.broken()


def test_news_that_comes_after_the_reading_left_the_ring_is_no_loss():
    bench = Bench().run(range(CAPACITY))
    bench.judge.arrivals.prompt = False
    bench.run([CAPACITY], acked_to=1)
    bench.publish(1)
    count = bench.finish(CAPACITY)
    assert bench.broken() == {}
    assert (count["delivered"], count["lost"]) == (1, 0)
    assert balanced(count)


def test_a_number_that_is_left_out_is_named():
    bench = Bench().run(range(3))
    bench.run([3], seq=5)
    assert "left out" in bench.broken()[1]


def test_a_number_may_be_left_out_once_the_card_has_failed_and_not_again():
    bench = Bench().run(range(3))
    bench.judge.card_failed()
    bench.run([3], seq=5)
    assert bench.broken() == {}
    bench.run([4], seq=7)
    assert "left out" in bench.broken()[1]


@pytest.mark.parametrize(("units_gone", "most"), [(0, 64), (1, 64), (2, 192)])
def test_as_many_numbers_may_be_left_out_in_a_large_ring_as_its_format_says(units_gone, most):
    sector_count = 131072
    half = half_of(sector_count)
    for numbers in (most, most + 1):
        facts = []
        watch = SectorWatch({}, lambda *_: None, lambda *fact, facts=facts: facts.append(fact))
        watch.written(0, 0, layout_sector(), sector_count)
        for _ in range(units_gone):
            watch.unit_gone()
        watch.card_failed()
        watch.written(0, place_of(numbers + 1, half), data_sector(numbers + 1, [record()]), sector_count)
        assert [fact[0] for fact in facts] == ([] if numbers == most else [1])


def test_more_numbers_than_a_lap_has_are_never_left_out():
    bench = Bench().run(range(3))
    bench.judge.card_failed()
    bench.run([3], seq=3 + CAPACITY + 2)
    assert "left out" in bench.broken()[1]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 200), min_size=1, max_size=6), st.integers(0, 3))
def test_the_count_holds_whatever_is_left_out_and_overwritten(jumps, delivered):
    bench = Bench()
    seq = 0
    for slot, jump in enumerate(jumps):
        bench.begin(slot)
        bench.sense()
        seq += jump
        bench.store(seq, count=1)
        if slot < delivered:
            bench.publish(seq)
        bench.end()
    assert balanced(bench.finish(len(jumps)))


def test_a_reading_in_another_place_than_its_own_is_named():
    bench = Bench().run(range(2))
    bench.begin(2)
    bench.sense()
    bench.write(place_of(5, half_of(SECTORS)), data_sector(3, [record(bench.time_s(), 2)]))
    assert 1 in bench.broken()


# --- 2: nothing is delivered that was not stored; one content ------------------------------------------------------


def delivering(**more):
    bench = Bench().run(range(3))
    bench.publish(2, **more)
    return bench


def test_what_was_stored_may_be_delivered_twice():
    bench = delivering()
    bench.publish(2)
    assert bench.broken() == {}
    assert bench.finish(2)["duplicates"] == 1


@pytest.mark.parametrize(
    "lie",
    [
        {"ring": RING + 1},
        {"values": ("20.01", "3.900")},
        {"values": ("20.00", None)},
        {"values": ("20.00", "3.9e0000000001")},
        {"values": ("20.00", "1e999999")},
        {"names": ("temperature", "supply")},
        {"names": ("battery", "temperature")},
        {"units": ("K", "V")},
        {"flags": 1},
        {"extra": ['{"n":"moisture","u":"/","v":12}']},
        {"extra": ['{"n":"temperature.flags","v":1}']},
        {"extra": ['{"n":"run","v":2}', '{"n":"run-time","u":"s","v":0}']},
        {"device": "02a1b2fffec3d4e6"},
        {"time_s": START_S + 4000},
        {"uncertainty_s": 3},
    ],
    ids=str,
)
def test_a_pack_that_differs_from_what_was_stored_is_named(lie):
    assert 2 in delivering(**lie).broken()


@pytest.mark.parametrize("same", ["20", "20.0", "20.000", "2e1"])
def test_the_same_number_in_other_digits_is_the_same(same):
    assert delivering(values=(same, "3.900")).broken() == {}


def test_neighbouring_negative_values_are_told_apart():
    bench = Bench()
    bench.begin(0)
    bench.sense(-0.01, 3.9)
    bench.store(data=record(bench.time_s(), 2, (-1, 3900)))
    bench.publish(1, values=("-0.02", "3.900"))
    assert 2 in bench.broken()


def test_an_absent_value_must_stay_absent():
    bench = Bench()
    bench.begin(0)
    bench.sense(3.9)
    bench.store(data=record(bench.time_s(), 2, (ABSENT, 3900), channel_flags=(0x100, 0)))
    why = '{"n":"temperature.flags","v":256}'
    bench.publish(1, values=(None, "3.900"), extra=[why])
    assert bench.broken() == {}
    bench.publish(1, values=("0.00", "3.900"), extra=[why])
    assert 2 in bench.broken()


@pytest.mark.parametrize(
    ("stored", "told"),
    [
        ({"flags": 1}, ("20.00", "3.900")),
        ({"channel_flags": (0, 4)}, ("20.00", "3.900")),
        ({"values": (ABSENT, 3900)}, ("-21474836.48", "3.900")),
    ],
)
def test_a_pack_that_looks_usual_and_hides_flags_or_makes_up_a_value_is_a_lie(stored, told):
    bench = Bench()
    bench.begin(0)
    bench.sense(20.0, 3.9)
    bench.store(data=record(bench.time_s(), 2, **stored))
    assert bench.broken() == {}
    bench.publish(1, values=told)
    assert 2 in bench.broken()


def test_a_reading_has_the_channels_of_its_own_layout():
    bench = Bench().run([0])
    bench.write(1, layout_sector(1, [CHANNELS[1], CHANNELS[0]]))
    bench.begin(1)
    bench.sense(3.9, 20.0)
    bench.store(data=record(bench.time_s(), 2, (3900, 2000), layout=1))
    bench.publish(1)
    bench.publish(2, names=("battery", "temperature"), units=("V", "Cel"), values=("3.900", "20.00"))
    assert bench.broken() == {}
    bench.publish(2)
    assert bench.broken() == {}  # the order in a pack means nothing, the names do
    bench.publish(2, values=("39.00", "2.000"))
    assert 2 in bench.broken()


def test_the_flags_of_a_channel_are_those_that_were_stored():
    bench = Bench()
    bench.begin(0)
    bench.sense()
    bench.store(data=record(bench.time_s(), 2, channel_flags=(5, 0)))
    bench.publish(1, extra=['{"n":"temperature.flags","v":5}'])
    assert bench.broken() == {}
    bench.publish(1, extra=['{"n":"temperature.flags","v":4}'])
    assert 2 in bench.broken()


def test_a_reading_that_was_never_stored_is_named():
    bench = Bench().run(range(3))
    bench.records[4] = bench.records[3]
    bench.publish(4)
    assert "never stored" in bench.broken()[2]


def test_rubbish_on_the_topic_is_named_and_other_topics_are_not_read():
    bench = Bench()
    bench.judge.published(0, "health", b"{}")
    assert bench.broken() == {}
    bench.judge.published(0, "readings", b"{}")
    assert 2 in bench.broken()


def test_a_sector_may_be_written_again_only_as_it_was():
    bench = Bench().run(range(4))
    bench.store(2, data=bench.records[2])
    assert bench.broken() == {}
    bench.store(2, data=record(START_S + 600, 3, (1999, 3900)))
    assert "another content" in bench.broken()[2]


def test_a_copy_in_a_window_is_the_reading_itself():
    bench = Bench().run(range(3))
    bench.records[3] = record(START_S + 1200, 3, (1999, 3900))
    bench.run([3])
    assert "reading 3 was written a second time" in bench.broken()[2]


def test_copies_under_shifted_numbers_are_noticed():
    bench = Bench()
    for slot in range(3):
        bench.begin(slot)
        bench.sense(20.0 + slot / 100, 3.9)
        bench.store(data=record(bench.time_s(), 2, (2000 + slot, 3900)))
        bench.end()
    bench.begin(3)
    bench.sense(20.03, 3.9)
    # repeats reading 3 under the number 4, and calls itself 5
    bench.write(place_of(5, 64), data_sector(5, [bench.records[3], record(bench.time_s(), 2, (2003, 3900))]))
    assert "repeats reading 4" in bench.broken()[2]


def test_a_number_is_not_used_backwards():
    bench = Bench().run(range(3))
    bench.run([3], seq=7)
    bench.run([4], seq=5, count=1)
    assert "reading 5 was written after reading 7" in bench.broken()[2]
    assert balanced(bench.finish(4))


def test_a_value_that_no_sensor_gave_is_named():
    bench = Bench()
    bench.begin(0)
    bench.sense(20.004, 3.9)
    bench.store()
    assert bench.broken() == {}
    bench.begin(1)
    bench.sense(20.02, 3.9)
    bench.store()
    assert "not measured: temperature" in bench.broken()[2]


def test_exchanged_channels_are_named():
    bench = Bench()
    bench.begin(0)
    bench.sense(20.0, 3.9)
    bench.store(data=record(bench.time_s(), 2, (390, 20000)))
    assert 2 in bench.broken()


def test_a_measurement_that_came_too_late_may_be_left_out():
    bench = Bench()
    bench.begin(0)
    bench.sense(20.0, 3.9)
    bench.store(data=record(bench.time_s(), 2, (ABSENT, 3900), channel_flags=(0x100, 0)))
    assert bench.broken() == {}


def test_a_reading_without_any_sensor_is_named():
    bench = Bench()
    bench.begin(0)
    bench.store()
    assert "no sensor had been read" in bench.broken()[2]


def test_layouts_come_first_and_never_change():
    bench = Bench()
    bench.begin(0)
    bench.sense()
    bench.store(data=record(bench.time_s(), 2, layout=1))
    assert "layout that was never written" in bench.broken()[2]
    again = Bench()
    again.write(0, layout_sector())
    assert again.broken() == {}
    again.write(0, layout_sector(channels=[("humidity", "%RH", -2, "a.B"), CHANNELS[1]]))
    assert "layout 0 was changed" in again.broken()[2]


def test_a_layout_fits_into_its_records():
    bench = Bench()
    bench.write(1, layout_sector(1, [*CHANNELS, ("light", "lx", 0, "c.D")]))
    assert "more channels than a record has room for" in bench.broken()[2]
    exact = Bench()
    exact.write(1, layout_sector(1, [CHANNELS[1], CHANNELS[0]]))
    assert exact.broken() == {}


def test_a_ring_is_made_before_it_is_written_to():
    bench = Bench()
    bench.begin(0)
    bench.sense()
    bench.write(place_of(1, 64), data_sector(1, [record(bench.time_s(), 2)], ring=RING + 1))
    assert "never made like this" in bench.broken()[2]


@pytest.mark.parametrize("at", [0, 4, 5, 6, 8, 508])
def test_a_torn_sector_is_no_reading(at):
    bench = Bench().run(range(2))
    bench.begin(2)
    bench.sense()
    data = bytearray(data_sector(3, [record(bench.time_s(), 2)]))
    data[at] ^= 0xFF
    bench.write(place_of(3, 64), data)
    assert bench.broken() == {}
    assert bench.finish(1)["stored"] == 2


# --- 3: the radio after the reading ---------------------------------------------------------------


def test_the_radio_before_the_reading_is_named():
    bench = Bench()
    bench.begin(0)
    bench.judge.radio_on(bench.now_ms)
    assert 3 in bench.broken()


def test_sensing_is_not_storing():
    bench = Bench().run([0])
    bench.begin(1)
    bench.sense()
    bench.judge.radio_on(bench.now_ms)
    assert 3 in bench.broken()


def test_the_radio_for_a_slot_that_is_stored_already_is_allowed():
    bench = Bench().run([0])
    bench.begin(0)
    bench.judge.radio_on(bench.now_ms)
    assert bench.broken() == {}


def test_a_held_reading_is_safe_too():
    bench = Bench()
    bench.begin(0)
    bench.sense()
    bench.judge.card_failed()
    bench.diary.area = (1, [record(bench.time_s(), 2)])
    bench.diary.save()
    bench.judge.radio_on(bench.now_ms)
    assert bench.broken() == {}


# --- 4: every wake ends ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("person", "awake_s", "fine"), [(False, 184, True), (False, 186, False), (True, 244, True), (True, 246, False)]
)
def test_a_wake_has_a_limit(person, awake_s, fine):
    bench = Bench()
    bench.begin(0, person=person)
    bench.judge.wake_ended(bench.now_ms + awake_s * 1000, "sleep", 3900)
    assert (4 not in bench.broken()) == fine


def test_four_resets_in_a_row_are_one_too_few():
    bench = Bench().run([0])
    for _ in range(judges.RESETS_MAX):
        bench.end("reset")
    assert bench.broken() == {}
    bench.end("reset")
    assert 4 in bench.broken()


def test_a_sleep_between_resets_begins_the_count_anew():
    bench = Bench().run([0])
    for _ in range(3):
        bench.end("reset")
        bench.end("reset")
        bench.end("sleep")
    assert bench.broken() == {}


def test_a_wake_that_dies_is_named_without_its_secrets():
    bench = Bench().run([0])
    bench.end("OSError: nobody-may-read-this")
    found = bench.broken()
    assert "***" in found[4]
    assert 7 in found
    assert "nobody-may-read-this" not in json.dumps(found)


# --- 5: time --------------------------------------------------------------------------------------

DAY = 144  # slots


def known(uncertainty_s, off_s=0, slot=1):
    """A reading `slot` slots after the clock was set, stored and delivered with this time."""
    bench = Bench().run([0])
    bench.judge._sensed_ms = None
    bench.begin(slot)
    bench.sense()
    bench.store(data=record(bench.time_s() + off_s, uncertainty_s))
    bench.publish(bench.newest)
    return bench


@pytest.mark.parametrize(
    ("off_s", "uncertainty_s", "fine"),
    [(2, 2, True), (1, 1, True), (-1, 2, True), (-1, 1, False), (3, 2, False), (-3, 2, False), (1, 0, False)],
)
def test_the_truth_lies_within_what_is_stated(off_s, uncertainty_s, fine):
    # the reading was taken 100 ms after the whole second that off_s counts from
    assert (5 not in known(uncertainty_s, off_s).broken()) == fine


@pytest.mark.parametrize(
    ("days", "uncertainty_s", "fine"),
    [(0, 2, True), (0, 3, False), (1, 2, True), (1, 3, False), (5, 6, True), (5, 7, False)],
)
def test_the_stated_uncertainty_is_no_larger_than_it_must_be(days, uncertainty_s, fine):
    # 10 ppm: 0.864 s a day
    assert (5 not in known(uncertainty_s, slot=days * DAY + 1).broken()) == fine


def unknown(slots=3):
    """Readings taken before the clock was set; the clock counts from slot 0."""
    bench = Bench()
    bench.judge.clock_set(0, 946_684_800)
    for slot in range(slots):
        bench.begin(slot)
        bench.sense()
        bench.store(data=record(bench.now_ms // 1000, 65535))
        bench.end()
    return bench


def test_a_time_that_could_not_be_known_may_be_left_out():
    bench = unknown()
    bench.publish(1)
    bench.judge.published(bench.now_ms, "readings", pack(2, run=(1, 601)), lambda: False)
    assert bench.broken() == {}


def test_a_time_server_that_is_not_asked_is_noticed():
    bench = unknown()
    bench.judge.published(bench.now_ms, "readings", pack(1, run=(1, 1)), lambda: True)
    assert "time server" in bench.broken()[5]


def test_a_reading_of_an_earlier_run_cannot_be_helped():
    bench = unknown()
    bench.judge.clock_lost(bench.now_ms)
    bench.judge.published(bench.now_ms, "readings", pack(1, run=(1, 1)), lambda: True)
    assert bench.broken() == {}


def test_a_time_that_is_known_by_now_must_be_stated():
    bench = unknown()
    bench.set_clock()
    bench.publish(1)
    assert "its clock had been set" in bench.broken()[5]


def test_what_only_memory_could_have_resolved_is_forgiven_when_the_clock_is_lost():
    bench = unknown()
    bench.set_clock()
    bench.judge.clock_lost(bench.now_ms)
    bench.publish(1)
    assert bench.broken() == {}


def test_what_a_sector_resolves_is_not_forgiven():
    bench = unknown()
    bench.set_clock()
    bench.run([3])
    bench.judge.clock_lost(bench.now_ms)
    bench.publish(1)
    assert 5 in bench.broken()


@pytest.mark.parametrize(
    ("lost", "then", "fine"),
    [(4, "clock_lost", True), (2, "clock_lost", False), (4, None, False), (4, "memory_lost", True)],
)
def test_a_run_of_which_the_card_has_lost_every_sector_that_dates_it(lost, then, fine):
    """Others repeat its readings, and what is not in retained memory either nobody knows."""
    bench = unknown()
    bench.set_clock()
    bench.publish(1, time_s=START_S + 1)
    bench.run([3], anchor=(1, START_S, 2, START_S + 1201))
    if then == "clock_lost":
        bench.judge.clock_lost(bench.now_ms)
        bench.begin(4)
        bench.sense()
        bench.store(data=record(0, 65535, run=2), anchor=(2, 0, 0, 0))
    gone = place_of(lost, half_of(SECTORS))
    bench.judge.sectors_gone(bench.now_ms, lambda: bench.card.pop(gone), bench.card.get, SECTORS)
    if then == "memory_lost":
        bench.judge.memory_lost()
    bench.publish(1)
    assert (5 not in bench.broken()) == fine


def test_readings_before_the_first_synchronisation_share_the_bound_of_the_span():
    bench = unknown()
    bench.now_ms = 5 * DAY * EVERY_MS
    bench.set_clock()
    # 5 days at 10 ppm: 4.32 s
    bench.publish(1, time_s=START_S + 1, uncertainty_s=6)
    assert bench.broken() == {}
    bench.publish(2, time_s=START_S + 601, uncertainty_s=7)
    assert 5 in bench.broken()


def test_the_span_begins_where_the_clock_began_to_count():
    bench = Bench()
    bench.now_ms = 10 * DAY * EVERY_MS
    bench.judge.clock_lost(bench.now_ms)
    bench.begin(10 * DAY)
    bench.sense()
    bench.store(data=record(1, 65535))
    bench.set_clock()
    bench.publish(1, time_s=bench.time_s(), uncertainty_s=2)
    assert bench.broken() == {}
    bench.publish(1, time_s=bench.time_s(), uncertainty_s=3)
    assert 5 in bench.broken()


@pytest.mark.parametrize(("run", "losses", "fine"), [(1, 0, True), (2, 0, False), (1, 1, False)])
def test_a_count_goes_on_that_the_node_merely_lost_sight_of(run, losses, fine):
    """The run says so; one that retained memory has forgotten may have its number again."""
    bench = unknown()
    bench.begin(3 * DAY)
    bench.sense()
    bench.store(data=record(bench.now_ms // 1000, 65535))
    for _ in range(2):
        bench.judge.clock_out_of_sight(bench.now_ms)
    bench.end()
    for _ in range(losses):
        bench.judge.memory_lost()
    bench.begin(3 * DAY + 1)
    bench.sense()
    bench.store(data=record(bench.now_ms // 1000, 65535, run=run))
    bench.end()
    bench.now_ms = 5 * DAY * EVERY_MS
    bench.set_clock()
    # 5 days at 10 ppm: 4.32 s
    bench.publish(bench.newest, time_s=START_S + (3 * DAY + 1) * EVERY_MS // 1000 + 1, uncertainty_s=6)
    assert (5 not in bench.broken()) == fine


def test_stated_and_real_times_are_tallied():
    tally = known(2).judge.tally
    assert (tally.stated_s(1.0), tally.off_s(1.0)) == (2, 0.2)


def test_a_known_time_may_not_be_withheld():
    bench = Bench().run([0])
    bench.judge.published(bench.now_ms, "readings", pack(1, run=(1, 0)))
    assert 5 in bench.broken()


def test_the_run_and_its_seconds_are_those_that_were_stored():
    bench = unknown()
    bench.publish(1, run=(1, 2))
    assert 2 in bench.broken()


@pytest.mark.parametrize(("second", "fine"), [((0, 4), True), ((1, 3), True), ((0, 5), False), ((5, 3), False)])
def test_a_resend_states_the_time_only_more_narrowly(second, fine):
    shift_s, uncertainty_s = second
    bench = unknown()
    bench.now_ms = 5 * DAY * EVERY_MS
    bench.set_clock()
    bench.publish(1, time_s=START_S + 1, uncertainty_s=4)
    bench.publish(1, time_s=START_S + 1 + shift_s, uncertainty_s=uncertainty_s)
    assert (2 not in bench.broken()) == fine


# --- 7: secrets -----------------------------------------------------------------------------------

PASSWORD = b"nobody-may-read-this"


@pytest.mark.parametrize("leak", [PASSWORD, b'nor-"this"', rb"nor-\"this\""])
def test_a_password_is_found_wherever_it_gets_out(leak):
    ways = [
        lambda j: j.published(0, "health", b'{"network":"' + leak + b'"}'),
        lambda j: j.logged(0, "join failed: " + leak.decode()),
        lambda j: j.sector_written(0, 200, (b"x" * 40 + leak).ljust(512, b"\0"), SECTORS),
        lambda j: j.wake_ended(0, "KeyError: " + leak.decode(), 3900),
    ]
    for way in ways:
        bench = Bench()
        way(bench.judge)
        assert 7 in bench.broken()


def test_what_is_no_secret_is_not_taken_for_one():
    words = {"network": [{"ssid": "shed", "password": "temperature-and"}], "broker": {"password": "bench"}}
    bench = Bench(**words)
    bench.judge.logged(0, "temperature of bench in shed")
    assert bench.broken() == {}
    twin = Bench(network=[{"ssid": "shed-of-larch", "password": "of-larch"}], broker={})
    twin.judge.logged(0, "shed-of-larch")
    assert twin.broken() == {}


# --- 8: slots -------------------------------------------------------------------------------------


def test_a_slot_that_is_slept_through_is_named_even_when_it_is_counted():
    bench = Bench().run(range(3))
    bench.diary.missed = 1
    bench.run([4])
    assert "slept for no reason" in bench.broken()[8]


@pytest.mark.parametrize(
    ("end", "battery_mv", "fine"), [("sleep", 3199, True), ("reset", 3900, True), ("sleep", 3201, False)]
)
def test_a_miss_with_a_reason_is_none_that_breaks_anything(end, battery_mv, fine):
    bench = Bench().run(range(3))
    bench.begin(3)
    bench.end(end, battery_mv)
    bench.diary.missed = 1
    bench.run([4])
    bench.finish(4)
    assert (8 not in bench.broken()) == fine
    assert (bench.judge.slots.due, bench.judge.slots.missed) == (5, 1)


def test_the_battery_is_an_excuse_until_it_has_recovered():
    bench = Bench().run(range(3))
    for slot, battery_mv in ((3, 3100), (4, 3299)):
        bench.begin(slot)
        bench.end("sleep", battery_mv)
    bench.diary.missed = 2
    bench.run([5])
    assert bench.broken() == {}
    bench.begin(6)
    bench.end("sleep", 3250)  # above the lower threshold, and it had recovered
    bench.diary.missed = 3
    bench.run([7])
    assert 8 in bench.broken()


@pytest.mark.parametrize("counted", [0, 2])
def test_the_nodes_own_count_of_misses_must_be_right(counted):
    bench = Bench().run(range(3))
    bench.begin(3)
    bench.end("reset")
    bench.diary.missed = counted
    bench.run([4])
    bench.finish(4)
    assert "the node counted" in bench.broken()[8]


@pytest.mark.parametrize("counted", [0, 7, 8])
def test_what_went_by_while_the_clock_was_lost_is_compared_once_it_is_set(counted):
    bench = Bench().run(range(3))
    bench.begin(10)
    bench.judge.clock_lost(bench.now_ms)
    bench.sense()
    bench.store(data=record(0, 65535, run=2))
    bench.set_clock()
    bench.diary.missed = counted
    bench.end()
    bench.run([11])
    bench.finish(11)
    assert bench.judge.slots.missed == 7
    assert (8 not in bench.broken()) == (counted == 7)


def test_a_counter_that_has_reached_its_end_proves_nothing():
    bench = Bench().run(range(2))
    bench.end("reset")
    bench.diary.missed = 65535
    bench.diary.unstored = 65535
    bench.run([4])
    bench.finish(4)
    assert bench.broken() == {}


def test_a_slot_is_sampled_once():
    bench = Bench().run(range(3))
    bench.begin(2)
    bench.now_ms += 60_000
    bench.sense()
    bench.store()
    assert "sampled twice" in bench.broken()[8]


def test_one_measurement_is_one_reading():
    bench = Bench().run([0])
    bench.begin(1)
    bench.sense()
    bench.store()
    bench.store(data=bench.records[2])
    assert "once more" in bench.broken()[8]


def test_a_measurement_that_is_on_the_card_and_held_is_no_second_sample():
    bench = Bench().run([0])
    bench.begin(1)
    bench.sense()
    bench.store()
    bench.judge.card_failed()  # it could not be read back
    bench.diary.area = (1, [bench.records[2]])
    bench.end()
    assert bench.broken() == {}
    count = bench.finish(1)
    assert (count["stored"], count["held"], bench.judge.slots.due) == (3, 1, 2)


def test_a_node_that_sleeps_for_ever_is_named():
    bench = Bench().run(range(3))
    bench.finish(100)
    assert "neither taken nor missed" in bench.broken()[8]
    assert bench.judge.slots.missed == 98


def test_a_node_that_never_samples_is_named():
    bench = Bench()
    for slot in range(5):
        bench.begin(slot)
        bench.end()
    bench.finish(5)
    assert 8 in bench.broken()
    assert bench.judge.slots.missed == 6


def test_a_dead_battery_excuses_the_rest():
    bench = Bench().run(range(3))
    bench.finish(100, "the battery is empty")
    assert bench.broken() == {}


# --- held readings --------------------------------------------------------------------------------


class Holding(Bench):
    """A node without a card; its retained memory has room for `room` readings."""

    def __init__(self, room=3):
        super().__init__()
        self.diary = Diary(136 + 24 + room * STRIDE)
        self.room = room
        self.diary.area = (0, [])

    def hold(self, slot, card_failed=True, drop=None, count_it=True):
        self.begin(slot)
        if slot == 0:
            self.set_clock()
        self.sense()
        if card_failed:
            self.judge.card_failed()
        head, records = self.diary.area
        kept = records[1:] if drop or (drop is None and len(records) == self.room) else records
        self.diary.unstored += (len(records) - len(kept)) * count_it
        self.records[head + 1] = record(self.time_s(), 2)
        self.diary.area = (head + 1, [*kept, self.records[head + 1]])
        self.end()
        return self


def test_held_readings_wait_and_are_delivered():
    bench = Holding()
    for slot in range(3):
        bench.hold(slot)
    bench.publish(1, ring=HELD_RING)
    bench.diary.area = (3, bench.diary.area[1][1:])
    bench.begin(3)
    bench.end("sleep", 3000)
    count = bench.finish(2)
    assert bench.broken() == {}
    assert (count["stored"], count["held"], count["delivered"], count["waiting"]) == (3, 3, 1, 2)
    assert balanced(count)


def test_a_held_reading_that_is_dropped_for_want_of_room_is_unstored():
    bench = Holding(room=3)
    for slot in range(5):
        bench.hold(slot)
    count = bench.finish(4)
    assert bench.broken() == {}
    assert (count["stored"], count["unstored"], count["waiting"]) == (3, 2, 3)
    assert bench.judge.tally.waiting()[-1] == 3
    assert balanced(count)


def test_a_reading_dropped_without_being_counted_is_named():
    bench = Holding(room=3)
    for slot in range(4):
        bench.hold(slot, count_it=False)
    bench.finish(3)
    assert "the node counted 0" in bench.broken()[8]


def test_a_count_of_dropped_readings_that_is_too_large_is_named():
    bench = Holding()
    bench.diary.unstored = 1
    bench.hold(0)
    bench.finish(0)
    assert "the node counted 1" in bench.broken()[8]


def test_a_reading_dropped_while_there_is_room_is_named():
    bench = Holding(room=3)
    bench.hold(0).hold(1, drop=True)
    assert "there was room" in bench.broken()[8]


def test_a_reading_dropped_while_the_card_is_healthy_is_named():
    bench = Holding(room=1)
    bench.hold(0).hold(1, card_failed=False)
    assert "healthy" in bench.broken()[8]


def test_held_readings_go_with_retained_memory_and_are_counted():
    bench = Holding()
    bench.hold(0).hold(1)
    bench.diary.lose()
    bench.begin(2)
    bench.judge.wake_ended(bench.now_ms, "reset", 3900)
    count = bench.finish(2)
    assert (count["stored"], count["unstored"]) == (0, 2)
    assert balanced(count)


def test_a_new_area_in_the_place_of_the_old_one_is_named():
    bench = Holding()
    bench.hold(0)
    memory = bench.diary.memory
    memory[140:144] = struct.pack("<I", HELD_RING + 1)
    size = 24 + STRIDE
    memory[136:140] = struct.pack("<I", zlib.crc32(memory[140 : 136 + size]))
    bench.begin(1)
    bench.judge.wake_ended(bench.now_ms, "reset", 3900)
    assert "given up" in bench.broken()[8]


@pytest.mark.parametrize(
    ("values", "fine"), [(("20.00", "3.900"), True), (("20.01", "3.900"), False), (("3.900", "20.00"), False)]
)
def test_before_any_card_was_seen_a_held_reading_is_known_by_its_numbers(values, fine):
    bench = Holding()
    bench.judge.ledgers.clear()
    bench.hold(0)
    bench.publish(1, ring=HELD_RING, values=values)
    assert (2 not in bench.broken()) == fine


def test_before_any_card_was_seen_an_absent_value_is_absent():
    bench = Holding()
    bench.judge.ledgers.clear()
    bench.begin(0)
    bench.sense(3.9)
    bench.judge.card_failed()
    bench.records[1] = record(bench.time_s(), 65535, (ABSENT, 3900), channel_flags=(0x100, 0))
    bench.diary.area = (1, [bench.records[1]])
    bench.end()
    why = '{"n":"temperature.flags","v":256}'
    bench.publish(1, ring=HELD_RING, values=(None, "3.900"), extra=[why])
    assert 2 not in bench.broken()


def test_more_held_readings_than_the_books_have_room_for(monkeypatch):
    monkeypatch.setattr("hostsim.held_watch.CAPACITY", 8)
    bench = Holding(room=3)
    for slot in range(30):
        bench.hold(slot)
    count = bench.finish(29)
    assert bench.broken() == {}
    assert (count["stored"], count["unstored"]) == (3, 27)
    assert balanced(count)


def test_a_node_without_room_for_a_single_reading_says_so():
    bench = Bench()
    bench.diary = Diary(160)
    for slot in range(2):
        bench.begin(slot)
        bench.sense()
        bench.judge.card_failed()
        bench.diary.area = (slot + 1, [])
        bench.diary.unstored += 1
        bench.end()
    count = bench.finish(1)
    assert bench.broken() == {}
    assert (count["stored"], count["unstored"], bench.judge.slots.missed) == (0, 2, 0)


def test_late_news_of_a_held_reading_is_no_drop():
    bench = Holding()
    bench.judge.arrivals.prompt = False
    bench.hold(0).hold(1)
    bench.diary.area = (2, bench.diary.area[1][1:])
    bench.begin(2)
    bench.end("sleep", 3000)
    bench.publish(1, ring=HELD_RING)
    count = bench.finish(1)
    assert bench.broken() == {}
    assert (count["delivered"], count["unstored"], count["waiting"]) == (1, 0, 1)


def test_rubbish_in_retained_memory_is_nothing():
    bench = Bench().run([0])
    for rubbish in (b"", bytes(100), b"\xff" * 2048, b"\x74\x01\x20" + bytes(2045)):
        bench.judge.wake_began(bench.now_ms, bytearray(rubbish))
        bench.judge.wake_ended(bench.now_ms, "sleep", 3900)
    assert bench.broken() == {}


# --- memory ---------------------------------------------------------------------------------------


def test_the_books_do_not_grow():
    """A node that never learns the time, and whose broker is down for ever."""

    def size(judge):
        ledger = judge.ledgers[RING]
        kept = [
            value
            for part in (judge, judge._clock, judge.slots, judge.arrivals, ledger)
            for value in vars(part).values()
        ]
        return sum(len(value) for value in kept if hasattr(value, "__len__"))

    bench = unknown(CAPACITY)
    before = size(bench.judge)
    for slot in range(CAPACITY, 4 * CAPACITY):
        bench.begin(slot)
        bench.sense()
        bench.diary.overwritten += 1
        bench.store(data=record(bench.now_ms // 1000, 65535))
        bench.end()
    assert size(bench.judge) == before
    assert bench.finish(4 * CAPACITY - 1)["overwritten"] == 3 * CAPACITY
    assert bench.broken() == {}
