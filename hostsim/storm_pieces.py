"""What a storm is made of. Law: each piece can be left out, and what is left is a scenario, or is said to be none.

Underneath lies a plain board in a quiet world: one network, one sensor, a good clock, a small card. A piece changes
one thing of it. A storm that fails is made smaller by leaving pieces out.
"""

import datetime
import json
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path

from hostsim import board, radio, weather
from hostsim.cell import OCV_ANCHORS_MV
from hostsim.enclosure import PRESETS
from hostsim.faults import Fault
from hostsim.scenario import Scenario
from hostsim.scenario_node import CELL_NUMBERS, NodePlan

BROKER = "broker.yard.example"
TIME_SERVER = "time.yard.example"
OFFICE = ("yard-office", "twelve-planks-high")
PLAIN = {
    "": {"sample_every_s": 600, "transmit_every_s": 3600},
    "broker": {"host": BROKER, "tls": False},
    "network": [{"ssid": OFFICE[0], "password": OFFICE[1]}],
    "sensor": [{"driver": "adafruit_sht4x.SHT4x", "read": ["temperature", "relative_humidity"]}],
    "rails": {"sensors": "D5", "card": "D6"},
    "battery": {"pin": "A0", "divider_upper_ohm": 1000000, "divider_lower_ohm": 1000000},
    "card": {"size_mib": 1},  # 1856 readings: it is full after 13 days at ten minutes
    "time": {"servers": [TIME_SERVER], "rtc": "ds3231", "drift_ppm_max": 5},
}
REPEATED = ("network", "sensor", "analog")


class Unfit(ValueError):
    """What is left of a storm is no scenario: a node would refuse its settings."""


@dataclass(frozen=True)
class Setting:
    """A key of one node's settings file; section "" has the flat ones. key None: `value` is a whole section more."""

    node: str
    section: str
    key: str | None
    value: object


@dataclass(frozen=True)
class Site:
    """What one node is and where it hangs: "cell", "enclosure", "light", or a field of its "board"."""

    node: str
    what: str
    value: object


@dataclass(frozen=True)
class Clock:
    """The clock of one node, and what its settings say of it: both, or the judge would measure with a wrong rule."""

    node: str
    profile: dict = field(hash=False)
    drift_ppm_max: int = 100
    rtc: str = "internal"


@dataclass(frozen=True)
class AccessPoint:
    """One more network in the air, or another strength of the first one. presence: see radio.Network."""

    ssid: str
    password: str
    rssi_dbm: int
    rtt_ms: int
    reach: frozenset[str]
    presence: tuple[float, float, frozenset[int]] | None = None


@dataclass(frozen=True)
class Outage:
    """A place is the ssid of a network, or "" for the broker, or None for the time servers."""

    place: str | None
    from_s: float
    to_s: float
    kind: str


@dataclass(frozen=True)
class Storm:
    """All of it. pieces: of the classes above, and hostsim.faults.Fault."""

    seed: int
    days: float
    start: datetime.date
    nodes: tuple[str, ...]
    pieces: tuple = field(hash=False, default=())

    def without_others(self, node: str) -> "Storm":
        """The same storm with this one node."""
        kept = tuple(piece for piece in self.pieces if getattr(piece, "node", node) == node)
        return replace(self, nodes=(node,), pieces=kept)


def built(storm: Storm) -> Scenario:
    """The scenario of a storm. Raises Unfit."""
    year = weather.bundled()
    midnight = datetime.datetime.combine(storm.start, datetime.time(), datetime.UTC)
    january = datetime.datetime(storm.start.year, 1, 1, tzinfo=datetime.UTC)
    start_epoch_s = int(midnight.timestamp()) - year.utc_offset_s
    return Scenario(
        path=Path("scenario.toml"),
        name=f"storm {storm.seed}",
        start_epoch_s=start_epoch_s,
        days=storm.days,
        seed=storm.seed,
        weather=year,
        weather_start_s=(midnight - january).total_seconds(),
        nodes=[_node(storm, name) for name in storm.nodes],
        networks=_networks(storm, year.utc_offset_s, start_epoch_s),
        broker_windows=_windows(storm, ""),
        time_windows=_windows(storm, None),
        require={},
        faults=[piece for piece in storm.pieces if isinstance(piece, Fault) and piece.node in storm.nodes],
    )


def _node(storm: Storm, name: str) -> NodePlan:
    own = [piece for piece in storm.pieces if getattr(piece, "node", None) == name]
    text = settings_text(name, own)
    site = {piece.what: piece.value for piece in own if isinstance(piece, Site)}
    cell = {"kind": sorted(OCV_ANCHORS_MV)[0], **{key: default for key, (_, _, default) in CELL_NUMBERS.items()}}
    preset = site.get("enclosure", {}).get("preset", "box")
    profile = board.load(board.BUNDLED / "yard.toml")
    fields = {key: site[key] for key in ("sleep_timer", "retained_bytes", "nvm_slot_bytes") if key in site}
    for piece in own:
        if isinstance(piece, Clock):
            fields["clock"] = piece.profile
    return NodePlan(
        name,
        text.encode(),
        tomllib.loads(text),
        replace(profile, **fields) if fields else profile,
        cell | site.get("cell", {}),
        {"preset": preset} | PRESETS[preset] | site.get("enclosure", {}),
        site.get("light", 1.0),
    )


def settings_text(name: str, pieces) -> str:
    """The settings file of a node, as the board's own reader takes it. Raises Unfit where that would refuse it."""
    from hostsim.runtimes import settings_check

    sections = {key: list(of) if isinstance(of, list) else dict(of) for key, of in PLAIN.items()}
    for piece in pieces:
        if isinstance(piece, Setting) and piece.key is None:
            sections.setdefault(piece.section, []).append(piece.value)
        elif isinstance(piece, Setting):
            sections.setdefault(piece.section, {})[piece.key] = piece.value
        elif isinstance(piece, Clock):
            sections["time"] |= {"drift_ppm_max": piece.drift_ppm_max, "rtc": piece.rtc}
    lines = [f"node = {_toml(name)}", *_lines(sections.pop(""))]
    for section, of in sections.items():
        for table in of if section in REPEATED else [of]:
            lines += ["", f"[[{section}]]" if section in REPEATED else f"[{section}]", *_lines(table)]
    text = "\n".join(lines) + "\n"
    refusal = settings_check.refusal(text.encode())
    if refusal is not None:
        raise Unfit(f"{name}, line {refusal[0]}: {refusal[1]}")
    return text


def _lines(table: dict) -> list[str]:
    return [f"{key} = {_toml(value)}" for key, value in table.items()]


def _toml(value) -> str:
    # what JSON says of ASCII texts, whole numbers, true, false and lists of texts is TOML too
    return json.dumps(value)


def _networks(storm: Storm, utc_offset_s: int, start_epoch_s: int) -> list[radio.Network]:
    points = {OFFICE[0]: AccessPoint(*OFFICE, -67, 40, frozenset(storm.nodes))}
    points |= {piece.ssid: piece for piece in storm.pieces if isinstance(piece, AccessPoint)}
    return [
        radio.Network(
            ssid=point.ssid,
            password=point.password,
            rssi_dbm=point.rssi_dbm,
            reach=point.reach & frozenset(storm.nodes) or frozenset(storm.nodes),
            windows=_windows(storm, point.ssid),
            presence=point.presence,
            utc_offset_s=utc_offset_s,
            start_epoch_s=start_epoch_s,
            # as a scenario's file numbers them
            bssid=bytes((2, 0, 0, 0, number + 1 >> 8, number + 1 & 255)),
            channel=(1, 6, 11)[number % 3],
            rtt_ms=point.rtt_ms,
        )
        for number, point in enumerate(points.values())
    ]


def _windows(storm: Storm, place: str | None) -> list[tuple[float, float, str]]:
    outages = [piece for piece in storm.pieces if isinstance(piece, Outage) and piece.place == place]
    return [(outage.from_s, outage.to_s, outage.kind) for outage in outages]
