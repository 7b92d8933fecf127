"""Law: the health message says what the node knows about itself, and never a secret."""

import json

import pytest
from fake_ports import Nvm, settings_file
from torpor import health, last_good, retained

# docs/formats.md, "Health"
KEYS = ("v", "ring", "head", "acked_to", "oldest", "waiting", "overwritten", "unstored", "missed", "gone", "run")
KEYS += ("clock", "time", "battery_mv", "charge_uah", "network", "rssi_dbm", "settings_id", "settings_problem")
KEYS += ("remote_id", "faults", "firmware")


class RingStub:
    """A ring of 10 places, of which readings 5 to 14 are left and 5 to 8 accepted."""

    ring_id, head, acked_to = 0x00AB12CD, 14, 8

    def oldest(self):
        return 5

    def tail(self):
        return 9


def message(r=None, ring=None, now=(1800000000, 3), choice=None, gone=()):
    r = r or retained.Retained(bytearray(256))
    choice = choice or last_good.choose(settings_file(), Nvm())
    return health.message(r, ring, now, choice, "yard-office", -71, 3900, list(gone))


def test_every_key_is_there_with_and_without_a_card():
    for ring in (None, RingStub()):
        assert sorted(json.loads(message(ring=ring))) == sorted(KEYS)


def test_the_ring():
    body = json.loads(message(ring=RingStub()))
    assert (body["ring"], body["head"], body["acked_to"], body["oldest"], body["waiting"]) == (
        "00ab12cd",
        14,
        8,
        5,
        6,
    )
    body = json.loads(message())
    assert (body["ring"], body["head"], body["waiting"]) == (None, None, 0)


def test_the_clock():
    body = json.loads(message())
    assert body["clock"] == {"state": "known", "uncertainty_s": 3, "drift_ppb": 0}
    body = json.loads(message(now=(55, None)))
    assert body["clock"] == {"state": "unknown", "uncertainty_s": None, "drift_ppb": 0}
    assert body["time"] == 55


@pytest.mark.parametrize("fault", retained.FAULTS)
def test_each_fault_by_its_name_and_only_those_that_happened(fault):
    r = retained.Retained(bytearray(256))
    r.count(fault)
    r.count(fault)
    assert json.loads(message(r))["faults"] == {fault: 2}


def test_it_stays_small_and_says_no_secret_when_all_is_at_its_worst():
    r = retained.Retained(bytearray(256))
    for fault in retained.FAULTS:
        for _ in range(300):
            r.count(fault)
    for field in ("overwritten", "charge_uah", "remote_id"):
        setattr(r, field, 2**32 - 1)
    r.missed = r.unstored = r.run = 65535
    broken = (
        settings_file().replace(b"sample_every_s", b"sample_evry_s") + b'[wifi]\npassword = "slow-and-even"\n' * 9
    )
    nvm = Nvm()
    last_good.choose(settings_file(), nvm)
    choice = last_good.choose(broken, nvm)
    assert choice.problem
    gone = [[4294967290, 4294967294]] * 8
    body = message(r, RingStub(), (4294967295, 65534), choice, gone)
    assert len(body) < 1500
    assert b"planks" not in body
    assert b"slow-and-even" not in body
    assert json.loads(body)["gone"] == gone
