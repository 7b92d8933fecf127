"""Law: whatever the desk or a stranger sends costs one session's budget, and no more."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from torpor import messages, retained
from torpor.settings import within

RING = "5eed1234"
FIRMWARE = Path(__file__).parents[2] / "firmware"


def diary():
    return retained.Retained(bytearray(256))


def have(r, number=1, ring=RING, missing=((3, 9),)):
    return messages.have(json.dumps({"id": number, "ring": ring, "last": 20, "missing": missing}).encode(), RING, r)


def remote(r, number, **wanted):
    return messages.remote_settings(json.dumps({"id": number, "set": wanted}).encode(), r, within)


def set_from_afar(r):
    r.save()
    return r.remote_sample_s, r.remote_transmit_s, r.remote_last_days


NONSENSE = [
    b"",
    b"null",
    b"true",
    b"17",
    b"[]",
    b"{}",
    b'{"id":1}',
    b"[" * 512,
    b'{"id":' * 85,
    b"[" * 256 + b"]" * 256,
    b"9" * 512,
    b"-",
    b"\xff\xfe\x00",
    b"\x00" * 512,
    b'{"id":1e999,"ring":"5eed1234","missing":[]}',
    b'{"id":NaN,"ring":"5eed1234","missing":[]}',
    b'{"id":true,"ring":"5eed1234","missing":[[1,2]]}',
    b'{"id":1.0,"ring":"5eed1234","missing":[[1,2]]}',
    b'{"id":"1","ring":"5eed1234","missing":[[1,2]]}',
    b'{"id":[],"ring":"5eed1234","missing":[[1,2]]}',
    b'{"id":0,"ring":"5eed1234","missing":[[1,2]]}',
    b'{"id":-1,"ring":"5eed1234","missing":[[1,2]]}',
    b'{"id":4294967295,"ring":"5eed1234","missing":[[1,2]]}',
    b'{"id":1' + b"0" * 400 + b',"ring":"5eed1234","missing":[[1,2]]}',
    b'{"id":1,"ring":5,"missing":[[1,2]]}',
    b'{"id":1,"ring":"5eed1235","missing":[[1,2]]}',
    b'{"id":1,"set":null}',
    b'{"id":1,"set":[]}',
    b'{"id":1,"set":{"node":"kiln"}}',
    b'{"id":1,"set":{"sample_every_s":null}}',
    b'{"id":1,"set":{"sample_every_s":true}}',
    b'{"id":1,"set":{"sample_every_s":600.5}}',
    b'{"id":1,"set":{"sample_every_s":"600"}}',
    b'{"id":1,"set":{"broker":{"host":"x"}}}',
    '{"id":1,"ring":"5eed1234\udc00"'.encode("utf-8", "surrogatepass"),
]


@pytest.mark.parametrize("payload", NONSENSE)
def test_nonsense_asks_for_nothing_and_sets_nothing(payload):
    r = diary()
    assert messages.have(payload, RING, r) == []
    assert r.have_id == 0
    assert not messages.remote_settings(payload, r, within)
    assert set_from_afar(r) == (0, 0, 0)


@given(st.binary(max_size=600))
def test_any_bytes(payload):
    r = diary()
    assert messages.have(payload, RING, r) == []
    assert not messages.remote_settings(payload, r, within)
    assert set_from_afar(r) == (0, 0, 0)


values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=4),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["id", "ring", "x"]), inner, max_size=3)
    ),
    max_leaves=12,
)


@given(values, values, values)
def test_any_json_in_the_right_places(number, missing, wanted):
    r = diary()
    for ring in (RING, number):
        payload = json.dumps({"id": number, "ring": ring, "missing": missing, "set": wanted}).encode()
        for first, last in messages.have(payload, RING, r):
            assert 0 < first <= last < 2**32
        messages.remote_settings(payload, r, within)
    assert set_from_afar(r) == (0, 0, 0)


def test_a_message_longer_than_allowed_is_not_looked_at():
    r = diary()
    payload = b'{"id":1,"ring":"5eed1234","missing":[[1,2]]}'
    assert messages.have(payload.ljust(513), RING, r) == []
    assert messages.have(payload.ljust(512), RING, r) == [(1, 2)]


def test_each_id_is_answered_once():
    r = diary()
    assert have(r, 5) == [(3, 9)]
    assert have(r, 5) == []
    # the largest number of all must not be the last word
    assert have(r, 0xFFFFFFFE) == [(3, 9)]
    assert have(r, 0xFFFFFFFE) == []
    assert have(r, 6) == [(3, 9)]
    assert have(r, 6) == []
    assert r.have_id == 6
    r.save()


def test_another_ring_does_not_use_up_the_id():
    r = diary()
    assert have(r, 7, ring="00000001") == []
    assert have(r, 7) == [(3, 9)]


def test_the_oldest_eight_intervals_and_only_whole_ones():
    r = diary()
    missing = [[9, 9], [5, 4], [1], [1, 2, 3], "12", [True, 5], [0, 3], [2.0, 3], [30, 40]]
    assert have(r, 1, missing=missing) == [(9, 9)]
    assert have(r, 2, missing=[[n, n] for n in range(20, 0, -1)]) == [(n, n) for n in range(13, 21)]
    assert have(r, 3, missing=[[1, 4294967294]]) == [(1, 4294967294)]


def test_the_daily_allowance():
    r = diary()
    assert messages.allowance(r, 20788) == messages.DAILY_MAX
    r.have_sent = 200
    assert messages.allowance(r, 20788) == 88
    r.have_sent = 300
    assert messages.allowance(r, 20788) == 0
    assert messages.allowance(r, 20789) == messages.DAILY_MAX
    assert messages.allowance(r, 2**31) == messages.DAILY_MAX
    r.save()


def test_settings_from_afar():
    r = diary()
    assert remote(r, 1, sample_every_s=600, transmit_every_s=3600)
    assert set_from_afar(r) == (600, 3600, 0)
    assert remote(r, 2, must_last_days=400)
    assert set_from_afar(r) == (600, 3600, 400)
    assert remote(r, 9, sample_every_s=3600)
    assert set_from_afar(r) == (3600, 3600, 400)


@pytest.mark.parametrize(
    "wanted",
    [
        {"sample_every_s": 9},
        {"sample_every_s": 86401},
        {"sample_every_s": 2**32},
        {"transmit_every_s": 604801},
        {"must_last_days": 3651},
        {"sample_every_s": 600, "transmit_every_s": 599},
        {"sample_every_s": 7200},  # longer than the transmit interval that was set from afar
        {"transmit_every_s": 60},
        {"sample_every_s": 300, "node": "kiln"},
        {"sample_every_s": 300, "must_last_days": -1},
        {"sample_every_s": 300, "transmit_every_s": True},
    ],
)
def test_out_of_bounds_or_contradictory_changes_nothing_at_all(wanted):
    r = diary()
    assert remote(r, 1, sample_every_s=600, transmit_every_s=3600)
    assert not remote(r, 2, **wanted)
    assert set_from_afar(r) == (600, 3600, 0)
    # and it is not looked at again at each session
    assert r.remote_id == 2
    assert not remote(r, 2, sample_every_s=900)
    assert remote(r, 3, sample_every_s=900)


VM = """
from torpor import messages, retained
import eval_payloads
for payload in eval_payloads.ALL:
    r = retained.Retained(bytearray(256))
    found = messages.have(payload, "5eed1234", r)
    taken = messages.remote_settings(payload, r, lambda key, value: key == "sample_every_s" and 10 <= value <= 86400)
    print(found, taken, r.have_id, r.remote_sample_s)
"""


def test_the_real_micropython_takes_it_the_same_way(tmp_path):
    vm = Path(sys.executable).parent / "micropython"
    if not vm.exists():
        pytest.skip("no micropython here")
    good = [b'{"id":3,"ring":"5eed1234","missing":[[9,9],[1,4]]}', b'{"id":3,"set":{"sample_every_s":900}}']
    (tmp_path / "eval_payloads.py").write_text(f"ALL = {NONSENSE + good!r}\n")
    found = subprocess.run(
        [vm, "-X", "heapsize=256k", "-c", VM],
        env={"MICROPYPATH": f"{FIRMWARE}:{tmp_path}"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert found.stderr == ""
    lines = found.stdout.splitlines()
    assert lines[-2:] == ["[(1, 4), (9, 9)] False 3 0", "[] True 0 900"]
    assert set(lines[:-2]) == {"[] False 0 0"}
