"""What comes from the broker. Law: any bytes are a reading read exactly, or are set aside with a reason."""

import json

import pytest

pytest.importorskip("sqlalchemy", reason="the store needs SQLAlchemy")

from hypothesis import given
from hypothesis import strategies as st

from deploy import store_batch
from deploy.collect_payload import BYTES_MAX, Unusable, sort
from deploy.collect_plain import Shapes
from hostsim.senml_read import SenmlError, reading

TOPIC = "torpor/north-stack/readings"
PLAIN = (
    b'[{"bn":"urn:dev:mac:02a1b2fffec3d4e5_","bt":1796148600,"n":"seq","v":110},{"n":"ring","vs":"5eed1234"},'
    b'{"n":"time-uncertainty","u":"s","v":4},{"n":"temperature","u":"Cel","v":-0.05},{"n":"lux","u":"lx","v":4400},'
    b'{"n":"count","v":7}]'
)


def fields(message):
    keys = ("device", "seq", "ring", "time_s", "uncertainty_s", "run", "run_s", "record_flags")
    return {key: message[key] for key in keys}, store_batch.contents(message)


def learned():
    shapes = Shapes()
    sort(TOPIC, PLAIN, shapes)
    assert shapes.read("north-stack", PLAIN) is not None
    return shapes


numbers = st.one_of(
    st.decimals(allow_nan=False, allow_infinity=False, places=2).map(str),
    st.integers().map(str),
    st.sampled_from(
        ["-0", "-0.00", "00.00", "1e3", "1.5", "01", "+1", "0.005", "-", "", "1.", "99999999999.25", '"7"']
    ),
)


@given(numbers, numbers, st.integers(-1, 2**33).map(str), st.integers(-1, 2**33).map(str))
def test_a_glance_sees_what_a_close_look_sees(temperature, lux, seq, time_s):
    """Whatever numbers stand in a pack of a known form: read alike, or taken apart."""
    payload = PLAIN.replace(b"-0.05", temperature.encode()).replace(b"4400", lux.encode())
    payload = payload.replace(b":110}", f":{seq}}}".encode()).replace(b"1796148600", time_s.encode())
    glance = learned().read("north-stack", payload)
    if glance is None:
        return
    assert fields(glance) == fields(reading(payload))
    assert store_batch.unfit(reading(payload)) is None


@given(st.data())
def test_a_changed_byte_is_never_read_otherwise(data):
    at = data.draw(st.integers(0, len(PLAIN) - 1))
    byte = data.draw(st.integers(0, 255))
    payload = PLAIN[:at] + bytes([byte]) + PLAIN[at + 1 :]
    glance = learned().read("north-stack", payload)
    if glance is not None:
        assert fields(glance) == fields(reading(payload))


@given(st.binary(max_size=300))
def test_any_bytes_are_sorted_or_refused_in_one_line(payload):
    for topic in (TOPIC, "torpor/north-stack/health"):
        reason = ""
        try:
            sort(topic, payload, Shapes())
        except Unusable as error:
            reason = str(error)
        assert "\n" not in reason


scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
documents = st.recursive(scalars, lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=12), inner))


@given(documents)
def test_any_json_is_sorted_or_refused(document):
    payload = json.dumps(document).encode()
    for topic in (TOPIC, "torpor/north-stack/health"):
        try:
            sort(topic, payload, Shapes())
        except Unusable:
            pass


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("torpor/North/readings", PLAIN),
        ("torpor//readings", PLAIN),
        ("torpor/a/b/readings", PLAIN),
        (TOPIC, b"[" * 100_000),
        (TOPIC, PLAIN + b" " * BYTES_MAX),
        (TOPIC, PLAIN.replace(b"4400", b"9" * 5000)),
        (TOPIC, PLAIN.replace(b"4400", b"1e300")),
        (TOPIC, PLAIN.replace(b"4400", b"1" + b"0" * 19)),
        (TOPIC, PLAIN.replace(b"1796148600", b"99999999999")),
        (TOPIC, b"[" + b",".join([PLAIN[1:-1], *[b'{"n":"c%d","v":1}' % n for n in range(40)]]) + b"]"),
    ],
)
def test_what_does_not_fit_is_refused(topic, payload):
    with pytest.raises(Unusable):
        sort(topic, payload, learned())


def test_unusual_packs_are_taken_apart():
    flagged = PLAIN[:-1] + b',{"n":"lux.flags","v":5}]'
    undated = PLAIN.replace(b'"bt":1796148600,', b"").replace(
        b'{"n":"time-uncertainty","u":"s","v":4}', b'{"n":"run","v":1},{"n":"run-time","u":"s","v":0}'
    )
    for payload in (flagged, undated):
        shapes = learned()
        assert shapes.read("north-stack", payload) is None
        assert fields(sort(TOPIC, payload, shapes)[2]) == fields(reading(payload))
        # and it is not what is expected from now on
        assert shapes.read("north-stack", PLAIN) is not None
    with pytest.raises(SenmlError):
        reading(PLAIN[:-1])
