"""Charge and life against a calculation by hand. Law: without outages the rehearsal is arithmetic, to 1 %.

The currents are common practice, no source: about 100 mA while a board with Wi-Fi is awake, 1 to 2 mA asleep on a
development board with its regulator and its light. Durations are round numbers of our own. It is 25 degC for ever, so
that the cell gives all that it holds; its losses by itself are 0.01 % a month.
"""

import io

import pytest

from hostsim.events import Events
from hostsim.runtimes import fast
from hostsim.scenario import load
from hostsim.world import World

AWAKE_MA = 100.0
ASLEEP_MA = 1.5
BOOT_S = 1.0
RUN_S = 1.0

STATES = ("asleep", "booting", "awake", "sensing", "storing", "joining", "online")
STATE = "[states.{}]\ncurrent_ua = {}\nspread = 0.0\nsource = 'common practice, no source'\n"
BOARD = (
    "".join(STATE.format(state, 1500 if state == "asleep" else 100000) for state in STATES)
    + """
[durations]
boot = 1000
run = 1000
run_session = 1000
sensor_read = 0
analog_read = 0
card_mount = 0
card_read = 0
card_write = 0
tls = 0
[clock]
kind = "compensated"
[sleep_timer]
kind = "compensated"
"""
)
SETTINGS = """
node = "bench"
sample_every_s = {every_s}
transmit_every_s = {every_s}
[broker]
host = "broker.yard.example"
tls = false
[[network]]
ssid = "yard-office"
password = "twelve-planks-high"
[[sensor]]
driver = "adafruit_sht4x.SHT4x"
read = ["temperature"]
[battery]
pin = "A0"
radio_off_mv = {radio_mv}
radio_on_mv = {radio_mv}
write_off_mv = 0
write_on_mv = 0
[card]
size_mib = 1
hold_ms = 0
[time]
servers = ["time.yard.example"]
[status]
service_s = 0
"""
NEVER_MV = 60000  # no battery has it: the radio stays off
SCENARIO = """
name = "by hand"
days = 30
[weather]
file = "still.csv"
[[node]]
settings = "bench.toml"
board = "bench-board.toml"
enclosure = {{ preset = "shield", shade = 1.0 }}
cell = {{ capacity_mah = {capacity_mah}, self_discharge_percent_per_month = 0.01, internal_resistance_ohm = 0.0 }}
[[network]]
ssid = "yard-office"
password = "twelve-planks-high"
rtt_ms = 50
"""
STILL = "hour,temperature_degc,humidity_percent\n" + "".join(f"{hour},25.0,50.0\n" for hour in range(1, 49))


def lived(folder, every_s, capacity_mah, radio_mv=NEVER_MV):
    """The one node of the scenario, lived until its cell is empty."""
    (folder / "still.csv").write_text(STILL)
    (folder / "bench-board.toml").write_text(BOARD)
    (folder / "bench.toml").write_text(SETTINGS.format(every_s=every_s, radio_mv=radio_mv))
    (folder / "scenario.toml").write_text(SCENARIO.format(capacity_mah=capacity_mah))
    world = World(load(folder / "scenario.toml"), Events(io.StringIO()), "", fast.wake)
    world.run()
    world.finish()
    assert not [entry for entry in world.invariants.all.values() if entry.state == "broken"]
    return world.nodes[0]


def figures(node):
    """(mean current in mA, life in h)."""
    return node.meter.charge_uah() / 1000 / (node.now_ms / 3_600_000), node.dead_since_ms / 3_600_000


@pytest.mark.parametrize(
    ("every_s", "capacity_mah", "mean_ma", "life_h"),
    [
        # 2 s at 100 mA and 8 s at 1.5 mA: (200 + 12) / 10 = 21.2 mA; 50 mAh / 21.2 mA = 2.358 h
        (10, 50, 21.2, 2.358),
        # 2 s at 100 mA and 598 s at 1.5 mA: (200 + 897) / 600 = 1.8283 mA; 150 mAh / 1.8283 mA = 82.04 h
        (600, 150, 1.8283, 82.04),
    ],
)
def test_a_board_that_only_samples(tmp_path, every_s, capacity_mah, mean_ma, life_h):
    node = lived(tmp_path, every_s, capacity_mah)
    assert figures(node) == pytest.approx((mean_ma, life_h), rel=0.01)
    # and the calculation is what the comment says
    awake_s = BOOT_S + RUN_S
    assert (awake_s * AWAKE_MA + (every_s - awake_s) * ASLEEP_MA) / every_s == pytest.approx(mean_ma, rel=1e-4)


def test_a_board_that_sends_each_reading(tmp_path):
    """A cycle: boot 1 s, code 1 s, code of a session 1 s; association 0.35 to 0.8 s, on average 0.575 s; DHCP 0.2 to
    1.5 s, on average 0.85 s (radio.py); TCP and MQTT a round trip of 0.05 s each. That is 4.525 s at 100 mA and
    595.475 s at 1.5 mA: (452.5 + 893.2) / 600 = 2.2429 mA; 150 mAh / 2.2429 mA = 66.88 h.
    """
    node = lived(tmp_path, 600, 150, 0)
    assert figures(node) == pytest.approx((2.2429, 66.88), rel=0.01)
    online_s = node.meter.ms[node.meter.names.index("online")] / 1000
    assert online_s / node.wakes == pytest.approx(0.1, abs=0.03)


def test_sending_less_often_lasts_longer(tmp_path):
    often = figures(lived(tmp_path, 600, 20, 0))[1]
    never = figures(lived(tmp_path, 600, 20))[1]
    assert often < 0.9 * never
