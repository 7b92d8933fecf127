"""What a board draws and how long it takes. Law: every figure says where it comes from.

A profile is a TOML file: [states.NAME] current_ua, spread (0..1 of the current), source; [durations] in milliseconds;
[clock] and [sleep_timer] the oscillators; retained_bytes and nvm_slot_bytes. docs/scenarios.md has the format.
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path

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
OSCILLATOR_KEYS = {
    "kind": str,
    "offset_ppm": float,
    "offset_spread_ppm": float,
    "ageing_ppm_per_year": float,
    "noise_ppm": float,
    "survives_power_loss": bool,
}


class BoardError(ValueError):
    """A profile that cannot be used; the message is one line."""


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


def load(where: str | Path) -> Board:
    """A profile from a file, or a bundled one by its name. Raises BoardError naming the file and the reason."""
    path = Path(where)
    if not path.suffix:
        path = BUNDLED / f"{where}.toml"
        if not path.exists():
            names = ", ".join(sorted(p.stem for p in BUNDLED.glob("*.toml")))
            raise BoardError(f"no bundled board profile {str(where)!r}: one of {names}")
    try:
        with path.open("rb") as stream:
            raw = tomllib.load(stream)
    except OSError as error:
        raise BoardError(f"{path}: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BoardError(f"{path}: {error}") from None
    try:
        return _board(path.stem, raw)
    except (KeyError, TypeError, ValueError) as error:
        reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
        raise BoardError(f"{path}: {reason}") from None


def _board(name: str, raw: dict) -> Board:
    states = {}
    for state in STATES:
        entry = raw["states"][state]
        current_ua, spread = float(entry["current_ua"]), float(entry.get("spread", 0.0))
        if current_ua < 0 or not 0 <= spread < 1:
            raise ValueError(f"states.{state}: current_ua must be 0 or more and spread 0 to below 1")
        states[state] = State(current_ua, spread, str(entry["source"]))
    durations = dict(DURATIONS)
    for key, value in raw.get("durations", {}).items():
        if key not in DURATIONS:
            raise ValueError(f"durations.{key} is unknown: one of {', '.join(DURATIONS)}")
        if not isinstance(value, int) or not 0 <= value <= 60_000:
            raise ValueError(f"durations.{key} must be a whole number of milliseconds, 0 to 60000")
        durations[key] = value
    for table in ("clock", "sleep_timer"):
        for key, value in raw[table].items():
            if key not in OSCILLATOR_KEYS:
                raise ValueError(f"{table}.{key} is unknown: one of {', '.join(OSCILLATOR_KEYS)}")
            wanted = OSCILLATOR_KEYS[key]
            if not isinstance(value, (int, float) if wanted is float else wanted):
                raise ValueError(f"{table}.{key} must be a {wanted.__name__}")
    return Board(
        raw.get("name", name),
        states,
        durations,
        raw["clock"],
        raw["sleep_timer"],
        int(raw.get("retained_bytes", 2048)),
        int(raw.get("nvm_slot_bytes", 4000)),
    )
