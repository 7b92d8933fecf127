"""What a board draws and how long it takes. Law: every figure says where it comes from.

A profile is a TOML file: [states.NAME] current_ua, spread (0..1 of the current), source; [durations] in milliseconds;
[clock] and [sleep_timer] the oscillators; retained_bytes and nvm_slot_bytes. docs/scenarios.md has the format.
"""

from dataclasses import dataclass
from pathlib import Path

from hostsim.scenario_text import Table, read_toml

BUNDLED = Path(__file__).parent / "data" / "boards"
STATES = ("asleep", "booting", "awake", "sensing", "storing", "joining", "online")
DURATIONS = {
    "boot": 450,  # reset to the first line of code
    "run": 120,  # the code of a wake that only samples
    "run_session": 400,  # loading the code of a session
    "sensor_read": 12,  # one property of one driver
    "analog_read": 2,
    "card_mount": 40,
    "card_read": 2,
    "card_write": 8,
    "tls": 900,  # the arithmetic of a handshake
}
DURATION_MS_MAX = 60_000
CURRENT_UA_MIN, CURRENT_UA_MAX = 0.01, 1e7
OSCILLATORS = ("crystal", "compensated", "rc")
# key: (low, high); with all of them at their limits a clock still runs forwards
OSCILLATOR_NUMBERS = {
    "offset_ppm": (-1e5, 1e5),
    "offset_spread_ppm": (0, 1e5),
    "ageing_ppm_per_year": (-1000, 1000),
    "noise_ppm": (0, 1e4),
}
# the smallest retained memory among the chips in question, and more than any has
RETAINED_BYTES = (256, 65536)
NVM_SLOT_BYTES = (0, 1 << 20)


@dataclass(frozen=True)
class State:
    current_ua: float
    spread: float
    source: str


@dataclass(frozen=True)
class Board:
    """A board profile; states in the order of STATES, durations in ms."""

    name: str
    states: dict[str, State]
    durations: dict[str, int]
    clock: dict
    sleep_timer: dict
    retained_bytes: int
    nvm_slot_bytes: int


def bundled() -> list[str]:
    """The names of the profiles that come with the project."""
    return sorted(path.stem for path in BUNDLED.glob("*.toml"))


def load(path: Path) -> Board:
    """A profile from its file. Raises ScenarioError."""
    top = read_toml(path)
    states = _states(top.table("states"))
    durations = top.table("durations")
    found = Board(
        top.text("name", path.stem),
        states,
        {key: durations.whole(key, 0, DURATION_MS_MAX, ms) for key, ms in DURATIONS.items()},
        _oscillator(top.table("clock")),
        _oscillator(top.table("sleep_timer")),
        top.whole("retained_bytes", *RETAINED_BYTES, 2048),
        top.whole("nvm_slot_bytes", *NVM_SLOT_BYTES, 4000),
    )
    durations.done()
    top.done()
    return found


def _states(table: Table) -> dict[str, State]:
    states = {}
    table.used.update(STATES)
    for name in STATES:
        entry = table.table(name)
        states[name] = State(
            float(entry.number("current_ua", CURRENT_UA_MIN, CURRENT_UA_MAX)),
            float(entry.number("spread", 0, 0.99, 0.0)),
            entry.text("source"),
        )
        entry.done()
    table.done()
    return states


def _oscillator(table: Table) -> dict:
    """The keys that the table has, `kind` for certain."""
    found: dict = {"kind": table.choice("kind", OSCILLATORS)}
    for key, bounds in OSCILLATOR_NUMBERS.items():
        value = table.number(key, *bounds, 0.0)
        if key in table.raw:
            found[key] = float(value)
    if found.get("noise_ppm") and found["kind"] != "rc":
        raise table.wrong("noise_ppm", 'is for kind = "rc" only')
    table.done()
    return found
