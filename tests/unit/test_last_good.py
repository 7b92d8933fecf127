"""Law: a broken settings file never takes away the settings that last worked."""

import struct
from binascii import crc32

import pytest
from fake_ports import Nvm, PowerLoss, settings_file
from hypothesis import given
from hypothesis import strategies as st
from torpor import last_good

GOOD = settings_file(sample_s=600)
OTHER = settings_file(sample_s=900, ssid="kiln-shed")
THIRD = settings_file(sample_s=1200, ssid="foreman-hotspot")
BROKEN = {
    "missing": None,
    "empty": b"",
    "half written": GOOD[: GOOD.index(b'"yard-office"') + 4],
    "rubbish": b"\xff\x00\x07" * 40,
    "contradictory": GOOD.replace(b"transmit_every_s = 604800", b"transmit_every_s = 10"),
    "without a name": GOOD.replace(b'node = "bench"', b""),
}


def choose(data, nvm):
    return last_good.choose(data, nvm)


def accepted(data, nvm):
    """The file has been read and a broker has accepted a reading under it."""
    choice = choose(data, nvm)
    if not choice.good:
        last_good.accept(nvm, choice.crc)
    return choice


def sample_s(choice):
    return choice.settings["sample_every_s"]


def test_a_new_file_is_in_force_at_once_and_good_once_accepted():
    nvm = Nvm()
    for _ in range(2):
        choice = choose(GOOD, nvm)
        assert (sample_s(choice), choice.good, choice.previous, choice.problem) == (600, False, None, None)
        assert choice.crc == crc32(GOOD)
    last_good.accept(nvm, choice.crc)
    choice = choose(GOOD, nvm)
    assert (sample_s(choice), choice.good, choice.previous, choice.problem) == (600, True, None, None)


def test_toml_is_read_once_and_nvm_written_only_for_a_change():
    nvm = Nvm()
    accepted(GOOD, nvm)
    writes = nvm.writes
    assert writes == 2
    found = choose(GOOD, nvm)
    for _ in range(20):
        assert choose(GOOD, nvm).settings == found.settings
        last_good.accept(nvm, found.crc)
    assert nvm.writes == writes


def test_what_nvm_gives_back_is_what_was_read():
    nvm = Nvm()
    assert choose(GOOD, nvm).settings == choose(GOOD, nvm).settings == choose(GOOD, Nvm(0)).settings


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_leaves_the_last_good_settings_in_force(name):
    nvm = Nvm()
    accepted(GOOD, nvm)
    choice = choose(BROKEN[name], nvm)
    assert (sample_s(choice), choice.good, choice.crc) == (600, True, crc32(GOOD))
    assert choice.problem
    assert "\n" not in choice.problem
    # nor does it lose them by staying broken, or when it is mended
    assert sample_s(choose(BROKEN[name], nvm)) == 600
    assert choose(GOOD, nvm).good


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_after_one_that_was_never_accepted_keeps_that_one_going(name):
    nvm = Nvm()
    choose(GOOD, nvm)
    choice = choose(BROKEN[name], nvm)
    assert (sample_s(choice), choice.good) == (600, False)
    assert choice.problem


@pytest.mark.parametrize("name", BROKEN)
@pytest.mark.parametrize("slots", [0, 2])
def test_with_nothing_else_the_node_measures_its_battery_and_says_so(name, slots):
    choice = choose(BROKEN[name], Nvm(slots))
    assert choice.settings == last_good.FALLBACK
    assert (choice.crc, choice.good, choice.previous) == (0, False, None)
    assert choice.problem
    assert choice.settings["broker"] is None


def test_no_password_stands_in_a_problem():
    broken = settings_file().replace(b'password = "twelve-planks-high"', b'password = "short"\nssid = 5')
    problem = choose(broken, Nvm()).problem
    assert "short" not in problem
    assert len(problem) < 200


def test_many_problems_are_one_sentence():
    problem = choose(b"x = 1\ny = 2\nz = 3\n", Nvm()).problem
    assert "\n" not in problem
    assert "more)" in problem


def test_the_last_good_settings_stand_by_for_a_file_that_is_new():
    nvm = Nvm()
    accepted(GOOD, nvm)
    choice = choose(OTHER, nvm)
    assert (sample_s(choice), choice.good) == (900, False)
    assert choice.previous["sample_every_s"] == 600
    last_good.accept(nvm, choice.crc)
    choice = choose(OTHER, nvm)
    assert (sample_s(choice), choice.good, choice.previous) == (900, True, None)


def test_an_edit_of_an_edit_never_overwrites_the_last_good_one():
    nvm = Nvm()
    accepted(GOOD, nvm)
    for number in range(700, 720):
        choice = choose(settings_file(sample_s=number), nvm)
        assert sample_s(choice) == number
        assert choice.previous["sample_every_s"] == 600
        assert sample_s(choose(None, nvm)) == 600


def test_back_and_forth_the_one_accepted_last_is_the_last_good_one():
    nvm = Nvm()
    for _ in range(3):
        accepted(GOOD, nvm)
        assert sample_s(choose(None, nvm)) == 600
        accepted(OTHER, nvm)
        assert sample_s(choose(None, nvm)) == 900
    accepted(GOOD, nvm)
    # back to GOOD, then an edit that never works
    choice = choose(THIRD, nvm)
    assert choice.previous["sample_every_s"] == 600
    assert sample_s(choose(None, nvm)) == 600


def test_back_without_acceptance_changes_nothing():
    nvm = Nvm()
    accepted(GOOD, nvm)
    accepted(OTHER, nvm)
    choice = choose(GOOD, nvm)
    assert not choice.good
    assert choice.previous["sample_every_s"] == 900
    assert sample_s(choose(None, nvm)) == 900


@given(st.lists(st.tuples(st.sampled_from([GOOD, OTHER, THIRD, None, b"x"]), st.booleans()), max_size=12))
def test_any_history_ends_with_what_was_accepted_last(history):
    nvm = Nvm()
    last = None
    for data, works in history:
        choice = choose(data, nvm)
        if data in (GOOD, OTHER, THIRD):
            assert choice.crc == crc32(data)
            assert choice.problem is None
        if works and choice.crc:
            accepted(data, nvm)
            last = choice.crc
        if last is not None:
            assert choose(None, nvm).crc == last
            assert choose(None, nvm).good


# --- NVM that is not what it should be -----------------------------------------------------------------------------


def cuts(size):
    return sorted({*range(0, 40), *range(40, size, 61), *range(size - 8, size)})


def test_a_cut_at_any_byte_of_the_write_of_a_new_file_keeps_the_last_good_one():
    whole = Nvm()
    accepted(GOOD, whole)
    choose(OTHER, whole)
    for cut in cuts(len(last_good.MAGIC) + 1500):
        nvm = Nvm()
        accepted(GOOD, nvm)
        nvm.cut_at = cut
        with pytest.raises(PowerLoss):
            choose(OTHER, nvm)
        assert sample_s(choose(None, nvm)) == 600
        choice = choose(OTHER, nvm)
        assert sample_s(choice) == 900
        assert choice.previous["sample_every_s"] == 600


def test_a_cut_at_any_byte_of_an_acceptance_keeps_the_last_good_one():
    for cut in cuts(1500):
        nvm = Nvm()
        accepted(GOOD, nvm)
        crc = choose(OTHER, nvm).crc
        nvm.cut_at = cut
        with pytest.raises(PowerLoss):
            last_good.accept(nvm, crc)
        assert sample_s(choose(None, nvm)) in (600, 900)
        choice = choose(OTHER, nvm)
        assert sample_s(choice) == 900
        last_good.accept(nvm, choice.crc)
        assert sample_s(choose(None, nvm)) == 900


@given(st.binary(max_size=300), st.binary(max_size=300))
def test_rubbish_in_nvm_is_nothing(one, two):
    nvm = Nvm()
    nvm.images = [one, last_good.MAGIC + two]
    assert sample_s(choose(GOOD, nvm)) == 600
    assert choose(None, nvm).settings["node"] == "bench"


def test_one_bit_wrong_anywhere_makes_a_slot_worthless():
    nvm = Nvm()
    accepted(GOOD, nvm)
    size = 20 + struct.unpack_from("<H", nvm.images[0], 14)[0]
    whole = nvm.images[0]
    for at in range(size):
        nvm.images[0] = whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :]
        assert choose(None, nvm).settings == last_good.FALLBACK


def test_slots_of_another_firmware_are_not_read():
    nvm = Nvm()
    accepted(GOOD, nvm)
    image = bytearray(nvm.images[0])
    image[13] ^= 1
    end = 16 + struct.unpack_from("<H", image, 14)[0]
    struct.pack_into("<I", image, end, crc32(image[:end]))
    nvm.images[0] = bytes(image)
    assert choose(None, nvm).settings == last_good.FALLBACK
    choice = choose(GOOD, nvm)
    assert (sample_s(choice), choice.good) == (600, False)


@pytest.mark.parametrize("size", [0, 15, 100, 1000])
def test_settings_too_large_for_a_slot_are_in_force_all_the_same(size):
    nvm = Nvm(size=size)
    for _ in range(3):
        choice = choose(GOOD, nvm)
        assert (sample_s(choice), choice.good, choice.problem) == (600, False, None)
        last_good.accept(nvm, choice.crc)
    assert choose(None, nvm).settings == last_good.FALLBACK


def test_settings_too_large_leave_the_last_good_ones_alone():
    nvm = Nvm()
    accepted(GOOD, nvm)
    nvm.size = 50
    choice = choose(OTHER, nvm)
    assert (sample_s(choice), choice.previous["sample_every_s"]) == (900, 600)
    last_good.accept(nvm, choice.crc)
    assert sample_s(choose(None, nvm)) == 600


def test_a_text_longer_than_its_length_field_is_not_written():
    nvm = Nvm(size=100000)
    last_good._write(nvm, 0, 1, 0, 0, b" " * 65536)
    assert nvm.writes == 0


def test_nvm_that_cannot_be_read():
    class Dead(Nvm):
        def read(self, index):
            raise OSError(5)

    nvm = Dead()
    assert sample_s(choose(GOOD, nvm)) == 600
    last_good.accept(nvm, crc32(GOOD))


@pytest.mark.parametrize("start", [0, 1, 2**31 - 1, 2**32 - 2, 2**32 - 1])
def test_the_generation_wraps(start):
    nvm = Nvm()
    accepted(GOOD, nvm)
    image = bytearray(nvm.images[0])
    struct.pack_into("<I", image, 8, start)
    end = 16 + struct.unpack_from("<H", image, 14)[0]
    struct.pack_into("<I", image, end, crc32(image[:end]))
    nvm.images[0] = bytes(image)
    for data, expected in ((OTHER, 900), (GOOD, 600), (THIRD, 1200), (OTHER, 900)):
        accepted(data, nvm)
        assert sample_s(choose(None, nvm)) == expected
