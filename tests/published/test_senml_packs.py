"""Our packs, read by the resolver that reads RFC 8428's own examples (test_senml_rfc8428.py).

Law: a reader that knows only the standard gets the values, units, names and time that were stored.
"""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st
from torpor import senml

from hostsim.senml_read import reading, resolve

# Units: RFC 8428 table 6
CHANNELS = [
    ("temperature", "Cel", -2),
    ("relative-humidity", "%RH", -2),
    ("lux", "lx", 0),
    ("pressure", "Pa", 1),
    ("battery", "V", -3),
]
BASE = "urn:dev:mac:0011223344556677_"
int32 = st.integers(-(2**31) + 1, 2**31 - 1)
values_strategy = st.lists(st.one_of(st.none(), int32), min_size=len(CHANNELS), max_size=len(CHANNELS))
flags_strategy = st.lists(st.integers(0, 65535), min_size=len(CHANNELS), max_size=len(CHANNELS))


@given(
    values=values_strategy,
    flags=flags_strategy,
    time_s=st.integers(1793491200, 2**32 - 1),
    seq=st.integers(1, 2**32 - 1),
    uncertainty_s=st.integers(0, 65534),
    record_flags=st.integers(0, 65535),
)
def test_a_standard_reader_gets_what_was_stored(values, flags, time_s, seq, uncertainty_s, record_flags):
    payload = senml.pack(
        BASE, time_s, seq, "0badcafe", uncertainty_s, CHANNELS, values, flags, None, None, record_flags
    )
    resolved = {record["n"]: record for record in resolve(payload)}
    assert all(record["t"] == time_s for record in resolved.values())
    assert resolved[BASE + "seq"]["v"] == seq
    assert resolved[BASE + "ring"]["vs"] == "0badcafe"
    uncertainty = resolved[BASE + "time-uncertainty"]
    assert (uncertainty["v"], uncertainty["u"]) == (uncertainty_s, "s")
    for (name, unit, exponent), value, flag in zip(CHANNELS, values, flags, strict=True):
        record = resolved.get(BASE + name)
        if value is None:
            assert record is None
        else:
            assert Decimal(record["v"]) == Decimal(value).scaleb(exponent)
            assert record["u"] == unit
        assert resolved.get(f"{BASE}{name}.flags", {"v": 0})["v"] == flag
    assert resolved.get(f"{BASE}flags", {"v": 0})["v"] == record_flags
    own = reading(payload)
    assert (own["seq"], own["time_s"], own["uncertainty_s"]) == (seq, time_s, uncertainty_s)


@given(values=values_strategy, run=st.integers(0, 65535), run_s=st.integers(0, 2**32 - 1))
def test_an_unknown_time_is_left_out_and_the_run_stated(values, run, run_s):
    payload = senml.pack(BASE, None, 5, "0badcafe", None, CHANNELS, values, [0] * 5, run, run_s, 0)
    own = reading(payload)
    assert (own["time_s"], own["uncertainty_s"], own["run"], own["run_s"]) == (None, None, run, run_s)
    assert b'"bt"' not in payload
    assert b"time-uncertainty" not in payload
