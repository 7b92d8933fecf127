"""Which device hangs on which rail, and for how long that has been on. Law: a device without its supply is not there.

The wiring is what the settings say it is. At a wake every rail is off: pins are not held through deep sleep, and a
load switch is pulled to off.
"""

ALWAYS_MS = 0  # since when a device without a rail has its supply


class Wiring:
    """One board's devices, from its settings as tomllib reads them; what is not as it should be is not wired.

    sensors: {(driver, bus, address): (rail, warm_up_ms)}; analogs: {name: pin}; analog_pins: {pin: (supply, rail,
    upper_ohm, lower_ohm)}. A rail of "" is always on. buses: {name: rail of its pull-ups}; clock: the clock chip or
    "internal", clock_bus: where it hangs; battery_pin: "" where the node cannot tell its battery's voltage.
    """

    def __init__(self, settings: dict):
        self.rails = tuple(_table(settings, "rails"))
        self.card_rail = _text(_table(settings, "card"), "rail", "")
        self.buses = {_text(entry, "name", ""): _text(entry, "rail", "") for entry in _tables(settings, "bus")}
        self.buses = self.buses or {"i2c": ""}
        self.clock = _text(_table(settings, "time"), "rtc", "internal")
        self.clock_bus = _text(_table(settings, "time"), "rtc_bus", "i2c")
        self.sensors = {
            (_text(entry, "driver", ""), _text(entry, "bus", "i2c"), _whole(entry, "address")): (
                _text(entry, "rail", ""),
                _whole(entry, "warm_up_ms"),
            )
            for entry in _tables(settings, "sensor")
        }
        analogs = _tables(settings, "analog")
        self.analogs = {_text(entry, "name", ""): _text(entry, "pin", "") for entry in analogs}
        battery = _table(settings, "battery")
        self.battery_pin = _text(battery, "pin", "")
        self.analog_pins = {}
        for source, entry in [(_source(entry), entry) for entry in analogs] + [("battery", battery)]:
            if source and _text(entry, "pin", ""):
                self.analog_pins[entry["pin"]] = (
                    source,
                    _text(entry, "rail", ""),
                    _whole(entry, "divider_upper_ohm"),
                    _whole(entry, "divider_lower_ohm"),
                )


def _source(analog: dict) -> str | None:
    """The supply that a voltage's name speaks of; None: none that is simulated."""
    name = _text(analog, "name", "")
    return next((source for source in ("battery", "supply") if name.startswith(source)), None)


class Rails:
    """The rails of one board. `changes` grows whenever one is switched; until then what was true stays so."""

    def __init__(self, known: tuple[str, ...]):
        self._known = known
        self._since_ms: dict[str, int] = {}
        self.changes = 0

    def all_off(self) -> None:
        """As a wake finds them."""
        self.changes += 1
        self._since_ms.clear()

    def switch(self, name: str, on: bool, now_ms: int) -> None:
        """Raises KeyError for a rail that the board does not have."""
        if name not in self._known:
            raise KeyError(name)
        self.changes += 1
        if on:
            self._since_ms.setdefault(name, now_ms)
        else:
            self._since_ms.pop(name, None)

    def since_ms(self, name: str) -> int | None:
        """Since when the rail has been on without a break; None: it is off."""
        return self._since_ms.get(name) if name else ALWAYS_MS


def _table(settings: dict, name: str) -> dict:
    value = settings.get(name)
    return value if isinstance(value, dict) else {}


def _tables(settings: dict, name: str) -> list[dict]:
    value = settings.get(name)
    return [entry for entry in value if isinstance(entry, dict)] if isinstance(value, list) else []


def _text(table: dict, key: str, default: str) -> str:
    value = table.get(key, default)
    return value if isinstance(value, str) else default


def _whole(table: dict, key: str) -> int:
    value = table.get(key, 0)
    return value if isinstance(value, int) else 0
