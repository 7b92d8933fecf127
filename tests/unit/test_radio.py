"""The air. Law: only what is in reach can be joined."""

from random import Random

import pytest

from hostsim.radio import ASSOCIATING_MS, DHCP_MS, REFUSED_MS, SCANNING_MS, Air, Network

LIMIT_MS = 15000


def network(ssid="shed", **more):
    return Network(ssid, "pass-word", -60, frozenset({"a"}), **more)


def join(air, node="a", now_s=0.0, ssid="shed", password="pass-word", hinted=None, limit_ms=LIMIT_MS, **more):
    return air.join(node, now_s, ssid, password, hinted, limit_ms, Random(1), **more)


def test_a_network_in_reach_is_joined_and_takes_its_time():
    least = SCANNING_MS[0] + ASSOCIATING_MS[0] + DHCP_MS[0]
    most = SCANNING_MS[1] + ASSOCIATING_MS[1] + DHCP_MS[1]
    air = Air([network()])
    draw = Random(3)
    took = [air.join("a", 0.0, "shed", "pass-word", None, LIMIT_MS, draw).ms for _ in range(200)]
    assert least <= min(took) < max(took) <= most
    # common practice, no source: seconds, not milliseconds, with a scan and DHCP
    assert 1500 < sum(took) / len(took) < 6500


def test_a_hint_saves_the_scan_and_a_static_address_saves_dhcp():
    air = Air([network()])
    hint = (network().bssid, network().channel)
    assert join(air, hinted=hint).ms <= ASSOCIATING_MS[1] + DHCP_MS[1]
    assert join(air, hinted=hint, static_address=True).ms <= ASSOCIATING_MS[1]
    assert join(air, static_address=True).ms >= SCANNING_MS[0]


@pytest.mark.parametrize(
    "wrong",
    [{"ssid": "other"}, {"node": "b"}, {"password": "wrong-one"}, {"hinted": (bytes(6), 6)}, {"limit_ms": 100}],
)
def test_what_is_not_in_reach_or_not_right_is_not_joined_and_costs_time(wrong):
    came = join(Air([network()]), **wrong)
    assert came.network is None
    assert came.step == "join"
    assert 0 < came.ms <= wrong.get("limit_ms", LIMIT_MS)


@pytest.mark.parametrize(
    ("kind", "static", "joined"),
    [
        ("absent", False, False),
        ("locked", False, False),
        ("no-address", False, False),
        ("no-address", True, True),
        ("dead-end", False, True),
        ("hangs", False, False),
    ],
)
def test_each_kind_of_trouble(kind, static, joined):
    air = Air([network(windows=[(100, 200, kind)])])
    came = join(air, now_s=150.0, static_address=static)
    assert (came.network is not None) == joined
    assert came.hangs == (kind == "hangs")
    if kind == "locked":
        assert came.ms >= REFUSED_MS[0]
    if kind == "no-address" and not static:
        assert came.ms == LIMIT_MS
    for outside_s in (99.9, 200.0):
        assert join(air, now_s=outside_s).network is not None


def test_a_second_access_point_of_the_same_name_helps_out():
    air = Air([network(windows=[(0, 100, "absent")]), network(bssid=b"\x02\0\0\0\0\x02")])
    assert join(air).network is air.networks[1]


@pytest.mark.parametrize(
    ("day", "hour", "there"),
    [(0, 6.99, False), (0, 7.0, True), (0, 16.49, True), (0, 16.5, False), (5, 12, False), (7, 12, True)],
)
def test_presence_is_in_local_time_on_its_weekdays(day, hour, there):
    # 2027-01-04 00:00 local, a Monday, in a zone 5 h behind UTC
    monday_s = 1799020800 + 5 * 3600
    found = network(presence=(7, 16.5, frozenset(range(5))), utc_offset_s=-5 * 3600, start_epoch_s=monday_s)
    assert (found.kind_at("a", day * 86400 + hour * 3600) is None) == there


def test_the_same_draw_gives_the_same_time():
    air = Air([network()])
    assert join(air) == join(air)
