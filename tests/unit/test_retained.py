"""The diary in retained memory. Law: whole or cold, and a counter that is full stays full."""

import struct
from zlib import crc32

import pytest
from hypothesis import given
from hypothesis import strategies as st
from torpor import retained
from torpor.retained import FAULTS, NO_LAYOUT, NO_SLOT, SIZE, Retained

# the table of docs/formats.md, by hand: (offset, struct code, field)
TABLE = [
    (2, "B", "bits"),
    (3, "I", "settings_crc"),
    (7, "I", "ring_id"),
    (11, "I", "head"),
    (15, "I", "acked_to"),
    (19, "I", "sent_to"),
    (23, "H", "run"),
    (25, "B", "layout"),
    (26, "B", "stage"),
    (27, "I", "run_base_s"),
    (31, "I", "run_epoch_s"),
    (35, "H", "run_uncertainty_s"),
    (37, "H", "residual_10ppb"),
    (39, "I", "synced_s"),
    (43, "i", "drift_ppb"),
    (47, "i", "timer_ppm"),
    (51, "I", "asleep_rtc_s"),
    (55, "I", "asleep_for_s"),
    (59, "I", "last_slot"),
    (63, "I", "next_transmit_s"),
    (67, "B", "failures"),
    (68, "B", "trying"),
    (69, "B", "network"),
    (70, "B", "channel"),
    (71, "6s", "bssid"),
    (77, "4s", "broker_ip"),
    (81, "H", "missed"),
    (83, "H", "unstored"),
    (85, "I", "overwritten"),
    (89, "I", "have_id"),
    (93, "H", "have_sent"),
    (95, "H", "have_day"),
    (97, "I", "remote_id"),
    (101, "I", "remote_sample_s"),
    (105, "I", "remote_transmit_s"),
    (109, "H", "remote_last_days"),
    (111, "B", "resets"),
    (112, "B", "syncs"),
    (113, "I", "charge_uah"),
    (117, "I", "gap_slot"),
    (121, "11s", "faults"),
]
BOUNDS = {"B": (0, 255), "H": (0, 65535), "I": (0, 2**32 - 1), "i": (-(2**31), 2**31 - 1)}


def values_of(code):
    if code.endswith("s"):
        size = int(code[:-1])
        return st.binary(min_size=size, max_size=size)
    return st.integers(*BOUNDS[code])


def fresh():
    return {field: bytes(int(code[:-1])) if code.endswith("s") else 0 for _, code, field in TABLE} | {
        "layout": NO_LAYOUT,
        "last_slot": NO_SLOT,
    }


def state(diary):
    return {
        field: bytes(value) if code.endswith("s") else value
        for _, code, field in TABLE
        for value in [getattr(diary, field)]
    }


@given(st.fixed_dictionaries({field: values_of(code) for _, code, field in TABLE}))
def test_every_field_at_its_place_survives(values):
    memory = bytearray(b"\x5a" * (SIZE + 50))
    diary = Retained(memory)
    for field, value in values.items():
        setattr(diary, field, value)
    diary.save()
    for offset, code, field in TABLE:
        assert struct.unpack_from("<" + code, memory, offset)[0] == values[field], field
    assert memory[:2] == b"\x74\x01"
    assert struct.unpack_from("<I", memory, 132)[0] == crc32(memory[:132])
    assert memory[SIZE:] == b"\x5a" * 50
    again = Retained(memory)
    assert not again.cold
    assert state(again) == values


def test_the_table_has_no_hole():
    at = 2
    for offset, code, _ in TABLE:
        assert offset == at
        at += struct.calcsize("<" + code)
    assert at == 132 == SIZE - 4
    assert SIZE <= 200
    assert len(FAULTS) == 11


def test_every_single_bit_flip_is_a_cold_start():
    memory = bytearray(SIZE)
    diary = Retained(memory)
    diary.head, diary.run, diary.bssid = 77, 5, b"abcdef"
    diary.save()
    for bit in range(8 * SIZE):
        bad = bytearray(memory)
        bad[bit // 8] ^= 1 << bit % 8
        again = Retained(bad)
        assert again.cold, bit
        assert state(again) == fresh()


@given(st.binary(max_size=2 * SIZE))
def test_garbage_is_a_cold_start(garbage):
    diary = Retained(bytearray(garbage))
    assert diary.cold
    assert state(diary) == fresh()


@pytest.mark.parametrize("blank", [0x00, 0xFF])
def test_blank_memory(blank):
    assert Retained(bytearray([blank]) * 256).cold


@pytest.mark.parametrize(("at", "value"), [(0, 0x75), (1, 2), (1, 0)])
def test_another_magic_or_version_with_a_right_crc(at, value):
    memory = bytearray(SIZE)
    Retained(memory).save()
    assert not Retained(memory).cold
    memory[at] = value
    memory[132:] = struct.pack("<I", crc32(memory[:132]))
    assert Retained(memory).cold


def test_counters_stop_where_their_fields_end():
    memory = bytearray(SIZE)
    diary = Retained(memory)
    for fault in FAULTS:
        for _ in range(300):
            diary.count(fault)
    for _ in range(3):
        diary.add_missed(40000)
        diary.add_unstored(65535)
    diary.save()
    again = Retained(memory)
    assert bytes(again.faults) == b"\xff" * 11
    assert (again.missed, again.unstored) == (65535, 65535)


def test_a_fault_without_a_name_is_our_own_bug():
    with pytest.raises(ValueError):
        Retained(bytearray(SIZE)).count("unheard-of")


def test_every_fault_is_counted_in_a_byte_of_its_own():
    diary = Retained(bytearray(SIZE))
    for index, fault in enumerate(FAULTS):
        for _ in range(index + 1):
            diary.count(fault)
    assert bytes(diary.faults) == bytes(range(1, 12))
    assert retained.SIZE == 136
