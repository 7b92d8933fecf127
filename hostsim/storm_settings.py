"""Random settings and sites of a storm's nodes. Law: whatever is drawn, the board's own reader takes the file.

The bounds are docs/settings.md's. Where a setting says what a part is like (a clock's drift), the part is drawn too.
"""

from random import Random

from hostsim.storm_draw import about
from hostsim.storm_pieces import BROKER, OFFICE, TIME_SERVER, Clock, Setting, Site

# (interval, how often): short ones fill a small card in days, and cost as much computing as all others together
EVERY_S = (
    (10, 0.2),
    (30, 1),
    (60, 3),
    (120, 8),
    (180, 12),
    (300, 30),
    (600, 28),
    (900, 8),
    (1800, 5),
    (3600, 3),
    (86400, 1),
)
OTHER_POINTS = (("kiln-shed", "slow-and-even-heat"), ("foreman-hotspot", "only-while-he-is-here"), ("gate", ""))
NOWHERE = ("neighbour", "not-ours-to-know")
SENSORS = (
    {"driver": "adafruit_veml7700.VEML7700", "read": ["lux"], "rail": "sensors", "warm_up_ms": 120},
    {"driver": "adafruit_bh1750.BH1750", "read": ["lux"], "label": "second"},
    {"driver": "adafruit_sht4x.SHT4x", "read": ["temperature"], "label": "far", "address": 69, "rail": "sensors"},
)
ANALOG = {"pin": "A1", "divider_upper_ohm": 1000000, "divider_lower_ohm": 1000000}


def node_pieces(draw: Random, node: str) -> list:
    """All that is drawn for one node."""
    found: list = []

    def put(section: str, key: str | None, value, share: float = 1.0) -> None:
        if draw.random() < share:
            found.append(Setting(node, section, key, value))

    sample_s = draw.choices([every for every, _ in EVERY_S], [often for _, often in EVERY_S])[0]
    if draw.random() < 0.15:
        sample_s = min(86400, max(10, int(sample_s * draw.uniform(0.8, 1.3))))
    put("", "sample_every_s", sample_s)
    put("", "transmit_every_s", min(604800, int(sample_s * about(draw, 1, 40))))
    _delivery(draw, put)
    _parts(draw, put)
    found += _site(draw, node)
    return found


def _delivery(draw: Random, put) -> None:
    if draw.random() < 0.4:
        put("broker", "tls", True)
        put("broker", "username", "pine")
        put("broker", "password", f"knots-{draw.getrandbits(32):08x}")
    put("broker", "client_id", "the-board-in-the-yard", 0.1)
    put("broker", "session_s_max", int(about(draw, 5, 300)), 0.4)
    put("broker", "keepalive_s", draw.choice((0, 5, 30, 600, 3600)), 0.3)
    points = draw.sample(OTHER_POINTS, draw.choice((0, 1, 1, 2, 3)))
    for ssid, password in [*points, *([NOWHERE] if draw.random() < 0.2 else [])]:
        network = {"ssid": ssid, "password": password}
        if draw.random() < 0.15:
            network |= {"address": "192.0.2.17", "netmask": "255.255.255.0", "gateway": "192.0.2.1"}
        if draw.random() < 0.3:
            network["join_s_max"] = draw.randint(3, 60)
        put("network", None, network)
    put("radio", "last_good_first", False, 0.3)
    if draw.random() < 0.5:
        base_s = int(about(draw, 60, 3600))
        put("radio", "retry_base_s", base_s)
        put("radio", "retry_cap_s", max(600, int(base_s * about(draw, 1, 24))))
    put("radio", "join_s_max_total", int(about(draw, 5, 180)), 0.4)
    put("time", "servers", draw.choice(([], [BROKER], [TIME_SERVER, BROKER], ["a.example", TIME_SERVER])), 0.4)
    put("time", "sync_every_h", int(about(draw, 1, 200)), 0.5)
    put("time", "patience_h", draw.choice((0, 1, 6, 24, 100)), 0.5)
    put("status", "service_s", int(about(draw, 1, 600)), 0.3)


def _parts(draw: Random, put) -> None:
    sensors = draw.sample(SENSORS, draw.choice((0, 1, 1, 2, 3)))
    for sensor in sensors:
        put("sensor", None, sensor)
    inputs = [name for name in ("battery", "supply") if draw.random() < 0.4]
    for index, name in enumerate(inputs):
        put("analog", None, {"name": name, **ANALOG, "pin": f"A{index + 1}"})
    channels = 2 + len(sensors) + len(inputs)
    put("card", "channels_max", draw.randint(channels, 37), 0.3)
    put("card", "size_mib", draw.choice((2, 4, 64)), 0.15)
    put("card", "rail", "card", 0.6)
    put("card", "hold_ms", draw.choice((0, 100, 1000)), 0.3)
    put("battery", "pin", "", 0.15)
    if draw.random() < 0.2:
        for key, mv in zip(("write_off", "write_on", "radio_off", "radio_on"), _rising(draw), strict=True):
            put("battery", f"{key}_mv", mv)


def _rising(draw: Random) -> list[int]:
    return sorted(draw.randint(3000, 3800) for _ in range(4))


def _site(draw: Random, node: str) -> list:
    found: list = []
    cell = {
        "kind": draw.choice(("lipo", "nmc")),
        # a node that lives for weeks; now and then one that does not
        "capacity_mah": float(round(about(draw, 1500, 20000) if draw.random() < 0.85 else about(draw, 30, 600))),
        "self_discharge_percent_per_month": float(round(about(draw, 0.5, 10), 2)),
        "internal_resistance_ohm": round(about(draw, 0.05, 1.0), 3),
        "state_of_charge": round(draw.uniform(0.4, 1.0), 2),
    }
    found.append(Site(node, "cell", cell))
    found.append(
        Site(node, "enclosure", {"preset": draw.choice(("box", "shield")), "shade": round(draw.random(), 2)})
    )
    found.append(Site(node, "light", round(draw.random(), 2)))
    if draw.random() < 0.5:
        found.append(_clock(draw, node))
    if draw.random() < 0.5:
        spread_ppm = float(round(about(draw, 100, 50000)))
        timer = {"kind": "rc", "offset_spread_ppm": spread_ppm, "noise_ppm": float(round(about(draw, 10, 1000)))}
        found.append(Site(node, "sleep_timer", timer))
    if draw.random() < 0.4:
        found.append(Site(node, "retained_bytes", draw.choice((256, 300, 512, 1000, 4096, 8192))))
    if draw.random() < 0.2:
        found.append(Site(node, "nvm_slot_bytes", draw.choice((0, 256, 2000, 8192))))
    return found


def _clock(draw: Random, node: str) -> Clock:
    """A clock, and the drift that its maker allows: with the temperature, see hostsim/oscillator.py."""
    kind = draw.choice(("crystal", "crystal", "crystal", "crystal", "rc"))
    if kind == "crystal":
        # 20 ppm at 25 degC and 0.034 ppm for each degC squared from -30 to 80 degC
        profile = {"kind": kind, "offset_spread_ppm": 20.0, "ageing_ppm_per_year": 3.0}
        return Clock(node, profile, 130 if draw.random() < 0.7 else 200, draw.choice(("internal", "pcf8523")))
    # 5 % off and 200 ppm for each degC
    return Clock(node, {"kind": kind, "offset_spread_ppm": 50000.0, "noise_ppm": 300.0}, 65000)


def first_network(draw: Random) -> tuple[str, str]:
    """The network that every node knows; sometimes its password has been changed, and nobody has told the nodes."""
    return (OFFICE[0], OFFICE[1] if draw.random() < 0.9 else "changed-over-the-weekend")
