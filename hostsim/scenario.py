"""Reading a scenario. Law: a scenario is whole and within its bounds, or one line says what is wrong, and where.

docs/scenarios.md has the format.
"""

import datetime
from dataclasses import dataclass, field
from pathlib import Path

from hostsim import broker, radio, timeserver, weather
from hostsim.faults import Draw, Fault
from hostsim.scenario_fault import DAYS_MAX, faults_of, windows_of
from hostsim.scenario_node import NodePlan, Refuse, file_beside, node_plan
from hostsim.scenario_text import ScenarioError, Table, read_toml

__all__ = ["DEFAULT", "NodePlan", "Scenario", "ScenarioError", "check_end", "load"]

BUNDLED = Path(__file__).parent / "data" / "scenarios"
DEFAULT = BUNDLED / "timber-yard" / "scenario.toml"
DAYS_MIN = 0.01
SEED_MAX = 2**32 - 1
YEARS = (2027, 2045)
# each node keeps a file open for its card
NODES_MAX = 200
# key: (highest value, what it asks for)
REQUIREMENTS = {
    "delivered": (1, "share of the stored readings that must be delivered at the end, 0 to 1"),
    "lost_max": (1e9, "readings lost, at most"),
    "missed_max": (1e9, "slots missed, at most, of all nodes together"),
    "unstored_max": (1e9, "readings neither stored nor held, at most"),
    "battery_days_min": (1e6, "days that the battery of every node must last"),
    "stated_s_max": (1e9, "uncertainty of the time that 95 % of each node's readings must not exceed, seconds"),
}


@dataclass
class Scenario:
    """A whole scenario; windows are (from_s, to_s, kind) in seconds since the start.

    draws: what comes by chance; hostsim/faults.py turns it into windows and faults when the seed is known.
    """

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
    faults: list[Fault] = field(default_factory=list)
    draws: list[Draw] = field(default_factory=list)


def load(path: Path | str | None, weather_file: Path | str | None = None, refuse: Refuse | None = None) -> Scenario:
    """A scenario from its TOML file or its folder (None: the bundled one). Raises ScenarioError or WeatherError.

    refuse(data): see scenario_node.Refuse; None: settings files are only looked at as TOML.
    """
    path = _scenario_file(path)
    top = read_toml(path)
    name = top.text("name", bytes_max=200)
    days = top.number("days", DAYS_MIN, DAYS_MAX, 365)
    seed = top.whole("seed", 0, SEED_MAX, 1)
    start = _start_date(top)
    require = _require(top.table("require"))
    nodes = _nodes(path, top, refuse)
    names = [node.name for node in nodes]
    year = _weather(path, top.table("weather"), weather_file)
    start_epoch_s, weather_start_s = _start(start, year)
    draws: list[Draw] = []
    networks = [
        _network(table, names, year.utc_offset_s, start_epoch_s, number, draws)
        for number, table in enumerate(top.tables("network"))
    ]
    broker_windows = _outages(top.table("broker"), broker.KINDS, ("broker",), draws)
    time_windows = _outages(top.table("time_server"), timeserver.BEHAVIOURS, ("time_server",), draws)
    faults = faults_of(top.tables("fault"), names, draws)
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
        require,
        faults,
        draws,
    )


def check_end(found: Scenario) -> None:
    """Raises ScenarioError for a scenario that goes on when a node would no longer believe the time."""
    last = datetime.datetime(YEARS[1] + 1, 1, 1, tzinfo=datetime.UTC)
    if found.start_epoch_s + found.days * 86400 > last.timestamp():
        raise ScenarioError(found.path, None, f"it ends after {YEARS[1]}: a node believes no time so late")


def _scenario_file(path: Path | str | None) -> Path:
    path = Path(path) if path is not None else DEFAULT
    try:
        return path / "scenario.toml" if path.is_dir() else path
    except OSError:
        return path  # reading it will say why


def _nodes(path: Path, top: Table, refuse: Refuse | None) -> list[NodePlan]:
    tables = top.tables("node", at_least=1)
    if len(tables) > NODES_MAX:
        raise top.wrong("node", f"stands there {len(tables)} times: {NODES_MAX} is the limit")
    nodes: list[NodePlan] = []
    for table in tables:
        plan = node_plan(path.parent, table, refuse)
        if plan.name in [node.name for node in nodes]:
            raise table.wrong("settings", f'is for "{plan.name}", and so is that of a node further up')
        nodes.append(plan)
    return nodes


def _weather(path: Path, table: Table, weather_file: Path | str | None) -> weather.Weather:
    file = table.text("file", "bundled")
    table.done()
    if weather_file is not None:
        return weather.load(weather_file)
    if file == "bundled":
        return weather.bundled()
    return weather.load(file_beside(path.parent, table, "file", file))


def _start_date(top: Table) -> datetime.date:
    start = top.raw.get("start", datetime.date(YEARS[0], 1, 1))
    top.used.add("start")
    if isinstance(start, datetime.datetime) or not isinstance(start, datetime.date):
        raise top.wrong("start", "must be a date without quotes and without a time, such as 2027-01-01")
    if not YEARS[0] <= start.year <= YEARS[1]:
        raise top.wrong("start", f"must lie in {YEARS[0]} to {YEARS[1]}: a node believes no other time")
    return start


def _start(start: datetime.date, year: weather.Weather) -> tuple[int, float]:
    """(epoch seconds of the local midnight, seconds since local 1 January at which it lies)."""
    midnight = datetime.datetime(start.year, start.month, start.day, tzinfo=datetime.UTC)
    january = datetime.datetime(start.year, 1, 1, tzinfo=datetime.UTC)
    return int(midnight.timestamp()) - year.utc_offset_s, (midnight - january).total_seconds()


def _require(table: Table) -> dict[str, float]:
    table.used.update(REQUIREMENTS)
    wanted = {key: table.number(key, 0, REQUIREMENTS[key][0]) for key in REQUIREMENTS if key in table.raw}
    table.done()
    return wanted


def _outages(table: Table, kinds, place: tuple, draws: list[Draw]) -> list[tuple[float, float, str]]:
    found = windows_of(table, kinds, place, draws)
    table.done()
    return found


def _presence(table: Table) -> tuple[float, float, frozenset[int]]:
    table.used.update(("from_hour", "to_hour"))
    weekdays = frozenset(radio.DAYS.index(day) for day in table.names("weekdays", radio.DAYS))
    from_hour, to_hour = table.number("from_hour", 0, 24), table.number("to_hour", 0, 24)
    if not from_hour < to_hour:
        raise table.wrong("to_hour", "must be after from_hour: both are hours of one day")
    table.done()
    return from_hour, to_hour, weekdays


def _network(
    table: Table, nodes: list[str], utc_offset_s: int, start_epoch_s: int, number: int, draws: list[Draw]
) -> radio.Network:
    network = radio.Network(
        ssid=table.text("ssid", bytes_max=32),
        password=table.text("password", "", bytes_max=64),
        rssi_dbm=table.whole("rssi_dbm", -100, 0, -67),
        reach=frozenset(table.names("reach", nodes)),
        windows=windows_of(table, radio.KINDS, ("network", number), draws),
        presence=_presence(table.table("presence")) if "presence" in table.raw else None,
        utc_offset_s=utc_offset_s,
        start_epoch_s=start_epoch_s,
        bssid=bytes((2, 0, 0, 0, number + 1 >> 8, number + 1 & 255)),
        channel=(1, 6, 11)[number % 3],
        rtt_ms=table.whole("rtt_ms", 1, 5000, 40),
    )
    table.done()
    return network
