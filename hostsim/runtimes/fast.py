"""The fast runtime: the portable node in CPython on simulated ports. Law: a port is never kinder than a board.

Every wake starts with nothing but card, NVM, retained memory and the clock chip. Time passes by the board's table of
durations, never by measurement.
"""

import errno

from torpor import cycle, last_good

from hostsim import clock_faults, power_faults, settings_faults
from hostsim.node import Node
from hostsim.runtimes.card_port import CardPort
from hostsim.runtimes.endings import CAUSES, ENDINGS, BrownOut, DeepSleep, PowerLoss, WatchdogReset
from hostsim.runtimes.links import Links
from hostsim.runtimes.radio_port import WATCHDOG_MS, Radio
from hostsim.runtimes.sensors import Analog, Drivers
from hostsim.wiring import Rails

SLEEP_S = range(1, 86401)  # what a board can be asked for
RTC_S = range(946684800, 4102444800)  # what a clock chip can hold: 2000 to 2099
AFTER_SLEEP = ("deep-sleep", "watchdog")  # causes of a wake in which no person is waited for

_choose = last_good.choose


def _choose_once(data, nvm):
    """last_good.choose, which is a pure function of the file and of NVM, computed once for each state of a node's.

    Only this runtime remembers it: it saves a fifth of a wake.
    """
    if not isinstance(nvm, Nvm):
        return _choose(data, nvm)
    if nvm.chosen is not None and nvm.chosen[0] == data:
        found = nvm.chosen[1]
    else:
        before = nvm.writes
        found = _choose(data, nvm)
        if nvm.writes != before:
            return found  # it wrote to NVM, which must happen every time
        nvm.chosen = (data, found)
    return last_good.Choice(found.settings, found.crc, found.good, found.previous, found.problem)


last_good.choose = _choose_once


class Clock:
    def __init__(self, node: Node, judge):
        self._node = node
        self._judge = judge
        self._shows = node.clock.shows
        self._was_held = False

    def ticks_ms(self) -> int:
        return self._node.now_ms

    def elapsed_ms(self, since: int) -> int:
        return self._node.now_ms - since

    def wait_ms(self, ms: int) -> None:
        self._node.spend(self._node.radio_state or "awake", ms)

    def rtc_epoch_s(self):
        if self._node.faults.names:
            held = self._node.is_clock_away()
            if held or self._was_held:
                self._judge.clock_out_of_sight(self._node.now_ms)
            self._was_held = held
            if held:
                return None
        return self._shows(self._node.now_ms)

    def set_rtc(self, epoch_s: int) -> None:
        if self._node.faults.names and self._node.is_clock_away():
            raise OSError(errno.ETIMEDOUT, "a line is held low")
        if epoch_s not in RTC_S:
            raise ValueError(f"no clock chip can be set to {epoch_s}")
        self._node.clock.set(self._node.now_ms, epoch_s)
        self._judge.clock_set(self._node.now_ms, epoch_s)


class RandomSource:
    def __init__(self, node: Node):
        self._draw = node.firmware_random.getrandbits

    def u32(self) -> int:
        return self._draw(32)


class Log:
    def __init__(self, node: Node, events, judge):
        self._node = node
        self._events = events
        self._judge = judge

    def event(self, name: str, **integers: int) -> None:
        line = self._events.write(self._node.now_ms, self._node.name, name, integers)
        self._judge.logged(self._node.now_ms, line)

    def trace(self, error: Exception) -> None:
        self.event("trace")
        self._judge.logged(self._node.now_ms, repr(error))
        self._events.trace(error)


class Nvm:
    slots = 2

    def __init__(self, node: Node):
        self._node = node
        self.writes = 0
        self.chosen = None  # see _choose_once; void once something is written

    def read(self, index: int) -> bytes:
        """The whole slot: what was written last, and behind it what was there before."""
        return self._node.nvm[index]

    def write(self, index: int, data) -> None:
        before = self._node.nvm[index]
        if len(data) > len(before):
            raise OSError(errno.ENOSPC, "larger than the slot")
        self.writes += 1
        self.chosen = None
        self._node.nvm[index] = bytes(data) + before[len(data) :]


class Power:
    def __init__(self, node: Node, rails: Rails):
        self._node = node
        self._rails = rails
        # a view: on a board too, what is written may be shorter than the memory and never longer
        self.retained = memoryview(node.retained)
        self.reset_cause = node.reset_cause
        self.wake_reason = "timer" if node.reset_cause == "deep-sleep" else None

    def rail(self, name: str, on: bool) -> None:
        self._rails.switch(name, on, self._node.now_ms)

    def battery_mv(self):
        if not self._node.wiring.battery_pin or self._node.without_settings:
            return None
        self._node.spend("awake", self._node.board.durations["analog_read"])
        return self._node.battery_mv

    def feed_watchdog(self) -> None:
        pass

    def deep_sleep(self, seconds: int) -> None:
        if seconds not in SLEEP_S:
            raise ValueError(f"a board cannot sleep for {seconds} s")
        raise DeepSleep(seconds)


class Signal:
    def show(self, pattern: str) -> None:
        pass

    def button(self) -> bool:
        return False


class Ports:
    """One board's ports for one wake."""

    def __init__(self, node: Node, world, judge):
        if node.ports is None:
            node.ports = _lasting(node, world, judge)
        self.clock, self.random, self.log, self.nvm, self.signal, self.drivers, self.analog, rails = node.ports
        rails.all_off()
        self.eui = node.eui
        self.card = CardPort(node, rails, judge)
        self.radio = Radio(node, world.air, judge)
        self.network = Links(node, world, self.radio)
        self.power = Power(node, rails)
        self._node = node
        self._rails = rails
        self._air = world.air
        self._judge = judge

    def bench(self):
        """What bring-up asks for besides (docs/porting.md, "On the bench")."""
        from hostsim.runtimes.bring_up import Bench

        return Bench(self._node, self._rails, self._air, self.radio, self._judge)

    def settings_file(self):
        return settings_faults.file_of(self._node) if self._node.faults.names else self._node.settings_toml


def _lasting(node: Node, world, judge) -> tuple:
    """The ports that keep nothing of their own from wake to wake, and the rails: made once a node."""
    rails = Rails(node.wiring.rails)
    plain = (Clock(node, judge), RandomSource(node), Log(node, world.events, judge), Nvm(node), Signal())
    return (*plain, Drivers(node, rails, judge), Analog(node, rails, judge), rails)


def wake(node: Node, world, judge) -> None:
    """One wake and the sleep after it; none when the battery is empty."""
    if not node.begin_wake():
        return
    supply = None
    if node.faults.names:
        clock_faults.befall(node, judge)
        node.without_settings = settings_faults.is_without(node)
        supply = power_faults.supply_of(node, ENDINGS)
    judge.wake_began(node.now_ms, node.retained, node.reset_cause not in AFTER_SLEEP, node.without_settings)
    asked_s = None
    node.radio_state = None
    try:
        if supply is not None:
            supply.begin_wake()
        cycle.wake(Ports(node, world, judge))
        end = "a return instead of sleep"
    except DeepSleep as asleep:
        asked_s = asleep.args[0]
        end = "sleep"
    except WatchdogReset:
        end = "reset" if supply is None or supply.struck is None else "a reset from outside"
    except PowerLoss:
        end = "power cut"
    except BrownOut:
        end = "brown-out"
    except Exception as error:
        end = f"{type(error).__name__}: {error}"
        world.events.trace(error)
    judge.wake_ended(node.now_ms, end, node.battery_mv)
    if supply is not None:
        _powered(node, supply, judge, asked_s)
    elif asked_s is not None:
        node.sleep(asked_s)
    if asked_s is None:
        node.reset_cause = CAUSES.get(end, "watchdog")
        if end not in CAUSES:
            # whatever it died of, the watchdog is what brings it back
            node.spend("awake", WATCHDOG_MS)


def _powered(node: Node, supply, judge, asked_s) -> None:
    """What follows a wake on a board whose supply may fail. asked_s: None when it is not to sleep."""
    supply.end_wake()
    struck = supply.struck
    if asked_s is not None:
        struck = supply.sleep(asked_s)
        if struck is not None:
            node.reset_cause = "power-on"
    if struck is not None:
        power_faults.lose(node, judge, struck)
