"""One node as a thing: board, clock, cell, card, enclosure. Law: nothing here knows what the firmware wants.

Time is `now_ms`, milliseconds since the start of the scenario; only `spend` and `sleep` move it.
"""

from random import Random

from hostsim.board import Board
from hostsim.card import Card
from hostsim.cell import Cell
from hostsim.enclosure import Enclosure
from hostsim.faults import Faults
from hostsim.humid_air import rh_after_warming
from hostsim.meter import Meter
from hostsim.oscillator import Oscillator
from hostsim.radio import Network
from hostsim.rtc import Clock, sleep_ms
from hostsim.sensing import MINUTE_MS, Surroundings, minute
from hostsim.wiring import Wiring

AWAKE_LOAD_MA = 40.0
NO_FAULTS = Faults(())


def generator(seed: int, part: str, node: str) -> Random:
    """Each part draws from its own numbers, so that a change in one leaves the others as they were."""
    return Random(f"{seed}/{part}/{node}")


def oscillator(profile: dict, draw: Random) -> Oscillator:
    spread = profile.get("offset_spread_ppm", 0.0)
    return Oscillator(
        offset_ppm=profile.get("offset_ppm", 0.0) + spread * draw.uniform(-1.0, 1.0),
        ageing_ppm_per_year=profile.get("ageing_ppm_per_year", 0.0),
        kind=profile["kind"],
        rc_noise_ppm=profile.get("noise_ppm", 0.0),
        seed=draw.getrandbits(32),
    )


class Climate:
    """What the air at and in one enclosure is like at the last moment told."""

    def __init__(self, weather, weather_start_s: float, enclosure: Enclosure, light: float):
        self._weather = weather
        self._start_s = weather_start_s
        self._enclosure = enclosure
        self._light = light
        self._at_s = 0.0
        self.inside_degc = self.humidity_percent = self.illuminance_lx = self.pressure_hpa = 0.0
        self.let_pass(0.0)

    def let_pass(self, now_s: float) -> None:
        """Go on to `now_s` seconds since the start; steps of at most half an hour, so that the sun moves."""
        enclosure = self._enclosure
        while True:
            step_s = min(now_s - self._at_s, 1800.0)
            self._at_s += step_s
            t_out, rh_out, ghi, lux, wind, pressure = self._weather.at(self._start_s + self._at_s)
            enclosure.step(step_s, t_out, ghi, wind)
            if self._at_s >= now_s:
                break
        self.inside_degc = enclosure.inside_degc
        self.humidity_percent = rh_after_warming(t_out, rh_out, enclosure.inside_degc)
        self.illuminance_lx = lux * self._light
        self.pressure_hpa = pressure


class Node:
    """One board in its place. `name`, `settings_toml` and `settings` (read by tomllib) as its settings file has them.

    `dead_since_ms`: the cell was found empty; `weak_since_ms`: its voltage first lay below what the settings write
    the card at, so that no reading is taken; None: neither has happened.
    """

    def __init__(
        self,
        name: str,
        settings_toml: bytes,
        settings: dict,
        board: Board,
        cell: Cell,
        card: Card,
        climate: Climate,
        seed: int,
        faults: Faults = NO_FAULTS,
    ):
        self.name = name
        self.settings_toml = settings_toml
        self.wiring = Wiring(settings)
        self.board = board
        self.durations = board.durations
        self.cell = cell
        self.card = card
        self.faults = faults
        self.climate = climate
        self.meter = Meter(board, generator(seed, "meter", name))
        self.clock = Clock(oscillator(board.clock, generator(seed, "clock", name)))
        self.sleep_timer = oscillator(board.sleep_timer, generator(seed, "sleep timer", name))
        self.retained = bytearray(board.retained_bytes)
        self.nvm = [b"\xff" * board.nvm_slot_bytes] * 2  # as flash is before it is written
        self.eui = generator(seed, "eui", name).getrandbits(62).to_bytes(8, "big")
        self.firmware_random = generator(seed, "firmware", name)
        self.radio_random = generator(seed, "radio", name)
        self.noise = generator(seed, "sensors", name)
        self.fault_random = generator(seed, "faults", name)
        self._seed = seed
        self._parts: dict[tuple, Surroundings] = {}  # by driver, bus and address
        self.clock_chip = None  # made by the runtimes that have chips
        self.radio_state: str | None = None  # the state that waiting is spent in while the radio is on
        self.ports: tuple | None = None  # what a runtime keeps for this node
        self.without_settings = False  # in this wake: then it knows of no pin either
        self.supply = None  # power_faults.Supply, where a fault will befall it
        self.sensor_faults = None  # sensor_faults.SensorFaults, where a fault will befall one
        self.now_ms = 0
        self.awake_from_ms = 0
        self.reset_cause = "power-on"
        self.wakes = 0
        self.battery_mv = 0  # under the load of a board that is awake, at the beginning of the wake
        self.dead_since_ms: int | None = None
        self.weak_since_ms: int | None = None
        self.network: Network | None = None  # the one joined last
        self.link_rtt_ms = 0  # its round trip
        self.arrivals = self.radio_uses = 0  # packets at the broker and joins tried in this wake
        self._charged_uah = 0.0
        self._aged_ms = 0
        self._spent_ms = self.meter.spent_ms

    def surroundings(self, part: tuple) -> Surroundings:
        """What a part is exposed to; `part` is its (driver, bus, address) in the settings."""
        found = self._parts.get(part)
        if found is None:
            draw = generator(self._seed, "part {} {} {}".format(*part), self.name)
            found = self._parts[part] = Surroundings(self.climate, lambda: minute(self.awake_from_ms), draw)
        return found

    def spend(self, state: str, ms: int) -> None:
        """Let time pass in one state. ValueError for a negative time: it does not pass backwards."""
        if ms < 0:
            raise ValueError(f"{ms} ms cannot pass")
        self.now_ms += ms
        self._spent_ms[state] += ms

    def is_clock_away(self, at_ms: int | None = None) -> bool:
        """True while nothing on its bus can be reached, a clock chip on it neither. at_ms None: now."""
        at_ms = self.now_ms if at_ms is None else at_ms
        return self.wiring.clock != "internal" and self.faults.holds("bus-held", at_ms) is not None

    def begin_wake(self) -> bool:
        """Climate, clock and cell come up to date and the board boots; False: the cell is empty, and it does not."""
        self._settle()
        if self.dead_since_ms is not None:
            return False
        self.wakes += 1
        self.awake_from_ms = self.now_ms
        self.spend("booting", self.durations["boot"])
        self.spend("awake", self.durations["run"])
        return True

    def _settle(self) -> None:
        climate = self.climate
        climate.let_pass(minute(self.now_ms) * MINUTE_MS / 1000.0)
        self.clock.let_pass(self.now_ms, climate.inside_degc)
        charge_uah = self.meter.charge_uah()
        asked_uah = charge_uah - self._charged_uah
        given_uah = self.cell.draw_uah(asked_uah)
        if given_uah < asked_uah or self.cell.empty:
            # a cell that frost has emptied would come back in the sun: a board that went down with it does not
            share = given_uah / asked_uah if asked_uah > 0 else 1.0
            self.dead_since_ms = self._aged_ms + int(share * (self.now_ms - self._aged_ms))
        self._charged_uah = charge_uah
        self.cell.age_s((self.now_ms - self._aged_ms) / 1000.0)
        self._aged_ms = self.now_ms
        self.battery_mv = self.cell.voltage_mv(AWAKE_LOAD_MA, climate.inside_degc)

    def sleep(self, asked_s: int) -> None:
        """Sleep by the sleep timer."""
        self.spend("asleep", sleep_ms(self.sleep_timer, asked_s, self.now_ms, self.climate.inside_degc))
        self.reset_cause = "deep-sleep"
