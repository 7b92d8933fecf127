"""The cycle of a wake. Law: what comes after what is decided by TABLE, and every way ends in sleep.

TABLE maps (state, outcome) to the next state; docs/cycle.svg is drawn from it. Each state is a function that takes
the Cycle and returns an outcome. JOIN, SYNC and SEND are imported when they are reached: most wakes only sample.
"""

from . import awake, retained, sleeping, storing, timekeeping
from .errors import CardError, LinkError, RingError
from .sensors.quantities import channels
from .sensors.sampling import sample

WAKE = "WAKE"
SERVICE = "SERVICE"
SAMPLE = "SAMPLE"
STORE = "STORE"
JOIN = "JOIN"
SYNC = "SYNC"
SEND = "SEND"
SLEEP = "SLEEP"

TABLE = {
    (WAKE, "due"): SAMPLE,
    (WAKE, "not due"): SLEEP,
    (WAKE, "person"): SERVICE,
    (WAKE, "resume"): JOIN,
    (WAKE, "back off"): SLEEP,
    (WAKE, "weak"): SLEEP,
    (SERVICE, "due"): SAMPLE,
    (SERVICE, "stored"): JOIN,
    (SERVICE, "weak"): SLEEP,
    (SAMPLE, "read"): STORE,
    (STORE, "transmit"): JOIN,
    (STORE, "done"): SLEEP,
    (JOIN, "time needed"): SYNC,
    (JOIN, "joined"): SEND,
    (JOIN, "next"): JOIN,
    (JOIN, "used up"): SLEEP,
    (SYNC, "done"): SEND,
    (SYNC, "no time"): JOIN,
    (SEND, "accepted"): SLEEP,
    (SEND, "refused"): SLEEP,
    (SEND, "unreached"): JOIN,
}

# the numbers under which states stand in retained memory
STATES = (WAKE, SERVICE, SAMPLE, STORE, JOIN, SYNC, SEND, SLEEP)
# a wake changes its state at most this often: every network joined with and without its hint, asked and sent over
STEPS_MAX = 64
# a wake is over after this long, the service window not counted
CYCLE_MS_MAX = 180000


def wake(ports):
    """Live through one wake. Does not return: the port's deep_sleep ends it."""
    Cycle(ports).run()


class Cycle:
    """One wake: the ports, the diary, the settings in force, and what this wake has found out so far."""

    def __init__(self, ports):
        self.ports = ports
        self.r = retained.Retained(ports.power.retained)
        self.started_ms = 0
        # what the RTC showed last, and when
        self._rtc_s = self._rtc_ms = 0
        # the RTC cannot be reached in this wake
        self.rtc_away = False
        # set by awake.choose_settings
        self.choice = self.settings = None
        self._channels = None
        self.sample_s = self.transmit_s = self.drift_ppm_max = 0
        # found out on the way
        self.battery_mv = 0
        self.slot = None
        self.person = False
        self.record = None
        self.taken_rtc_s = None
        self.ring = None
        self.held = None
        self.stored_ms = None
        # set by connecting
        self.candidates = None
        self.joining_ms = 0
        self.network_name = None
        self.transmit_failed = False
        self.certificate_refused = False
        self.clock_refused = False

    def run(self):
        try:
            self.started_ms = self.ports.clock.ticks_ms()
            self._go()
        except Exception as error:
            # whatever it is: a node that sleeps can be asked about it, a node that hangs can not
            self.failed(error)
        # only a wake that does not get here hung in the network it was trying
        self.r.trying = 0
        try:
            sleeping.sleep(self)
        except Exception:
            # planning the sleep failed: then a sleep without a plan
            self.ports.power.deep_sleep(sleeping.BACK_OFF_S)

    def _go(self):
        state = WAKE
        for _ in range(STEPS_MAX):
            self.r.stage = STATES.index(state)
            outcome = self._do(state)
            self.ports.power.feed_watchdog()
            state = TABLE[(state, outcome)]
            if state == SLEEP:
                return
        self.r.count("defect")

    def _do(self, state):
        if state == SAMPLE:
            return self._sample()
        if state == STORE:
            return storing.store(self)
        if state == WAKE:
            return awake.wake(self)
        if state == SERVICE:
            return awake.service(self)
        from . import connecting

        if state == JOIN:
            return connecting.join(self)
        if state == SYNC:
            return connecting.sync(self)
        return connecting.send(self)

    def count(self, error):
        """Count an error under its name in the health message."""
        name = "defect"
        if isinstance(error, LinkError) and error.step in retained.FAULTS:
            name = error.step
        elif isinstance(error, (CardError, RingError)):
            name = "card"
        self.r.count(name)

    def failed(self, error):
        """Count what no state has handled; the log has the rest."""
        self.count(error)
        try:
            self.ports.log.event("failed", state=self.r.stage)
            self.ports.log.trace(error)
        except Exception:
            # a log that fails must not keep the board awake
            pass

    def remaining_ms(self):
        """What is left of this wake's time."""
        return CYCLE_MS_MAX - self.ports.clock.elapsed_ms(self.started_ms)

    def time_known(self):
        return timekeeping.known(self.r)

    def now(self):
        """(time_s, uncertainty_s) of this moment; (run seconds, None) while the time is unknown."""
        return timekeeping.now(self.r, self.rtc_s(), self.drift_ppm_max)

    @property
    def channels(self):
        """The channels that the settings ask for; most wakes need no names."""
        if self._channels is None:
            self._channels = channels(self.settings)
        return self._channels

    def time_s(self):
        """The time of this moment; run seconds while it is unknown."""
        return timekeeping.time_s(self.r, self.rtc_s(), self.drift_ppm_max)

    def rtc_s(self):
        """What the RTC shows; where it fails in the middle of a wake, what it would show."""
        clock = self.ports.clock
        shown_s = None if self.rtc_away else clock.rtc_epoch_s()
        if shown_s is None:
            return self._rtc_s + clock.elapsed_ms(self._rtc_ms) // 1000
        self._rtc_s = shown_s
        self._rtc_ms = clock.ticks_ms()
        return shown_s

    def count_from(self, rtc_s):
        """The RTC cannot be reached: from now on it would show `rtc_s` and what goes by."""
        self.rtc_away = True
        self._rtc_s = rtc_s
        self._rtc_ms = self.ports.clock.ticks_ms()

    def _sample(self):
        values, flags, failures = sample(self.ports, self.settings)
        for _ in range(failures):
            self.r.count("sensor")
        self.taken_rtc_s = self.rtc_s()
        storing.make_record(self, values, flags)
        return "read"
