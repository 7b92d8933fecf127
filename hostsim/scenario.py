"""Reading a scenario. Law: a scenario is whole and within its bounds, or one line says what is wrong, and where.

docs/scenarios.md has the format.
"""

import datetime
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from hostsim import board, broker, card, enclosure, radio, timeserver, weather
from hostsim.scenario_text import ScenarioError, Table, read_toml

BUNDLED = Path(__file__).parent / "data" / "scenarios"
DEFAULT = BUNDLED / "timber-yard" / "scenario.toml"
DAYS_MAX = 3660
REQUIREMENTS = {
    "delivered": "share of the stored readings that must be delivered at the end, 0 to 1",
    "lost_max": "readings lost, at most",
    "missed_max": "slots missed, at most, of all nodes together",
    "unstored_max": "readings neither stored nor held, at most",
    "battery_days_min": "days that the battery of every node must last",
    "stated_s_max": "uncertainty of the time that 95 % of each node's readings must not exceed, seconds",
}
CELL_KEYS = {
    "kind": "lipo",
    "capacity_mah": 2000.0,
    "self_discharge_percent_per_month": 3.0,
    "internal_resistance_ohm": 0.15,
    "state_of_charge": 1.0,
}


@dataclass
class NodePlan:
    """One node: name and settings as its settings file has them, its board, cell, place and card."""

    name: str
    settings_toml: bytes
    settings: dict
    board: board.Board
    cell: dict
    enclosure: dict
    light: float
    card_windows: list[tuple[float, float, str]] = field(default_factory=list)


@dataclass
class Scenario:
    """A whole scenario; windows are (from_s, to_s, kind) in seconds since the start."""

    path: Path
    name: str
    start_epoch_s: int
    days: float
    seed: int
    weather: weather.Weather
    weather_start_s: float
    nodes: list[NodePlan]
    networks: list[radio.Network]
    broker_windows: list[tuple[float, float, str]]
    time_windows: list[tuple[float, float, str]]
    require: dict[str, float]


def load(path: Path | str | None, weather_file: str | None = None) -> Scenario:
    """A scenario from its TOML file (None: the bundled one). Raises ScenarioError, WeatherError or BoardError."""
    path = Path(path) if path is not None else DEFAULT
    if path.is_dir():
        path = path / "scenario.toml"
    top = read_toml(path)
    name = top.text("name")
    days = top.number("days", 0.01, DAYS_MAX, 365)
    seed = top.whole("seed", 0, 2**32 - 1, 1)
    year = _weather(path, top, weather_file)
    start_epoch_s, weather_start_s = _start(top, year)
    nodes = [_node(path, table) for table in top.tables("node", at_least=1)]
    names = [node.name for node in nodes]
    for index, node_name in enumerate(names):
        if node_name in names[:index]:
            raise ScenarioError(path, None, f'two nodes are called "{node_name}"')
    networks = [
        _network(table, names, year.utc_offset_s, start_epoch_s, number)
        for number, table in enumerate(top.tables("network"))
    ]
    broker_windows = _windows(top.table("broker"), broker.KINDS)
    time_windows = _windows(top.table("time_server"), timeserver.BEHAVIOURS)
    for table in top.tables("fault"):
        _fault(table, nodes)
    require = top.table("require")
    wanted = {key: require.number(key, 0, 1e9, None) for key in REQUIREMENTS if key in require.raw}
    require.done()
    top.done()
    return Scenario(
        path,
        name,
        start_epoch_s,
        days,
        seed,
        year,
        weather_start_s,
        nodes,
        networks,
        broker_windows,
        time_windows,
        wanted,
    )


def _weather(path: Path, top: Table, weather_file: str | None) -> weather.Weather:
    table = top.table("weather")
    file = table.text("file", "bundled")
    table.done()
    if weather_file is not None:
        return weather.load(weather_file)
    return weather.bundled() if file == "bundled" else weather.load(path.parent / file)


def _start(top: Table, year: weather.Weather) -> tuple[int, float]:
    """(epoch seconds of the start, seconds since local 1 January at which it lies)."""
    start = top.raw.get("start", datetime.date(2027, 1, 1))
    top.used.add("start")
    if isinstance(start, datetime.datetime) or not isinstance(start, datetime.date):
        raise top.wrong("start", "must be a local date, such as 2027-01-01")
    if not 2027 <= start.year <= 2045:
        raise top.wrong("start", "must lie in 2027 to 2045: a node believes no time from before it was built")
    midnight = datetime.datetime(start.year, start.month, start.day, tzinfo=datetime.UTC)
    january = datetime.datetime(start.year, 1, 1, tzinfo=datetime.UTC)
    return int(midnight.timestamp()) - year.utc_offset_s, (midnight - january).total_seconds()


def _node(path: Path, table: Table) -> NodePlan:
    file = path.parent / table.text("settings")
    try:
        data = file.read_bytes()
        settings = tomllib.loads(data.decode())
    except OSError as error:
        raise table.wrong("settings", f"{file}: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        # the decoder's words may quote the file, and the file has passwords
        raise table.wrong("settings", f"{file}: not TOML ({type(error).__name__}{_where(error)})") from None
    node = settings.get("node")
    if not isinstance(node, str) or not node:
        raise table.wrong("settings", f"{file}: it does not say which node it is for")
    cell_table = table.table("cell")
    cell = {
        key: cell_table.text(key, default) if key == "kind" else cell_table.number(key, 0, 1e6, default)
        for key, default in CELL_KEYS.items()
    }
    cell_table.done()
    place = table.table("enclosure")
    try:
        enclosure.parameters(place.raw)
    except ValueError as error:
        raise table.wrong("enclosure", str(error)) from None
    plan = NodePlan(
        node,
        data,
        settings,
        board.load(table.text("board", "yard")),
        cell,
        place.raw,
        table.number("light", 0, 1, 1.0),
    )
    table.done()
    return plan


def _where(error: Exception) -> str:
    text = str(error)
    return f", {text[text.rindex('(at ') + 1 : -1]}" if "(at " in text else ""


def _windows(table: Table, kinds) -> list[tuple[float, float, str]]:
    found = [_window(outage, kinds) for outage in table.tables("outage")]
    table.done()
    return found


def _window(table: Table, kinds, kind: str | None = None) -> tuple[float, float, str]:
    from_day = table.number("from_day", 0, DAYS_MAX)
    to_day = table.number("to_day", 0, DAYS_MAX)
    kind = kind or table.choice("kind", kinds)
    if not from_day < to_day:
        raise table.wrong("to_day", "must be after from_day")
    table.done()
    return from_day * 86400, to_day * 86400, kind


def _network(table: Table, nodes: list[str], utc_offset_s: int, start_epoch_s: int, number: int) -> radio.Network:
    reach = table.names("reach", nodes)
    presence = None
    if "presence" in table.raw:
        hours = table.table("presence")
        weekdays = frozenset(radio.DAYS.index(day) for day in hours.names("weekdays", radio.DAYS))
        presence = (hours.number("from_hour", 0, 24), hours.number("to_hour", 0, 24), weekdays)
        hours.done()
    network = radio.Network(
        ssid=table.text("ssid"),
        password=table.text("password", ""),
        rssi_dbm=table.whole("rssi_dbm", -100, 0, -67),
        reach=frozenset(reach),
        windows=[_window(outage, radio.KINDS) for outage in table.tables("outage")],
        presence=presence,
        utc_offset_s=utc_offset_s,
        start_epoch_s=start_epoch_s,
        bssid=bytes((2, 0, 0, 0, 0, number + 1)),
        channel=(1, 6, 11)[number % 3],
        rtt_ms=table.whole("rtt_ms", 1, 5000, 40),
    )
    table.done()
    return network


def _fault(table: Table, nodes: list[NodePlan]) -> None:
    table.choice("name", ("card-removed",))
    node = table.choice("node", [plan.name for plan in nodes])
    window = _window(table, card.KINDS, "absent")
    next(plan for plan in nodes if plan.name == node).card_windows.append(window)
