"""WAKE and SERVICE: why the board is awake, and what is therefore due. Law: the radio is not touched here."""

from . import last_good, retained, schedule, timekeeping

PERSON_CAUSES = ("power-on", "pin", "software")
FAILURE_CAUSES = ("watchdog", "panic", "brown-out")
RESETS_MAX = 3
SERVICE_STEP_MS = 250


def wake(cycle):
    """Settings, battery, time; then the outcome of WAKE."""
    ports = cycle.ports
    r = cycle.r
    cause = ports.power.reset_cause
    edited = choose_settings(cycle)
    cycle.battery_mv = ports.power.battery_mv()
    weak = _too_weak(cycle)
    # a wake that was too weak to look at the card left the first run to this one
    r.cold = r.cold or r.run == 0
    if weak and r.cold:
        return "weak"
    _settle_time(cycle, cause, edited, weak)
    if weak:
        return "weak"
    if edited:
        r.settings_crc = cycle.choice.crc
    time_s = cycle.time_s()
    cycle.slot = schedule.slot_of(time_s, cycle.sample_s)
    stored = schedule.is_stored(r.last_slot, cycle.slot)
    if cause in FAILURE_CAUSES:
        return _after_failure(cycle, cause, stored)
    r.resets = 0
    if cause in PERSON_CAUSES or ports.power.wake_reason == "button":
        cycle.person = True
        return "person"
    if stored or schedule.is_early(time_s, cycle.sample_s):
        return "not due"
    return "due"


def _settle_time(cycle, cause, edited, weak):
    """Begin a run where the time counter broke; learn from the sleep where it did not."""
    ports = cycle.ports
    r = cycle.r
    rtc_s = ports.clock.rtc_epoch_s()
    if not timekeeping.countable(rtc_s):
        rtc_s = None
    slept = cause == "deep-sleep"
    # a button may have cut the sleep short
    by_timer = slept and ports.power.wake_reason == "timer"
    lost = r.cold or rtc_s is None or timekeeping.jumped(r, rtc_s, slept, by_timer)
    if lost or timekeeping.is_used_up(r, rtc_s, cycle.drift_ppm_max):
        from . import runs

        if edited:
            # it was counted by another interval
            r.last_slot = retained.NO_SLOT
        runs.begin(cycle, rtc_s)
        return
    if edited and not weak:
        from . import runs

        runs.renumber(cycle)
    if by_timer and r.asleep_for_s:
        r.timer_ppm = schedule.learn_timer_ppm(r.timer_ppm, r.asleep_for_s, rtc_s - r.asleep_rtc_s)


def _after_failure(cycle, cause, stored):
    r = cycle.r
    r.count("brown-out" if cause == "brown-out" else "watchdog")
    r.resets = min(255, r.resets + 1)
    r.bits |= retained.CARD_IN_DOUBT
    if backs_off(cause, r.resets):
        # the radio draws most: where it may have been that, the next session is put off further each time
        cycle.transmit_failed = r.cold or r.trying != 0
        return "back off"
    if not stored:
        from . import runs

        # it may have come between the writing of a reading and the diary's note of it
        if not runs.is_stored(cycle):
            return "due"
    # the network that was being tried hung the board: go on with the one after it
    return "resume" if r.trying and not r.bits & retained.RADIO_HELD_OFF else "not due"


def backs_off(cause, resets):
    """True when a board that came back by `cause`, after `resets` failures in a row, has to rest first."""
    return cause in FAILURE_CAUSES and (cause != "watchdog" or resets > RESETS_MAX)


def choose_settings(cycle):
    """Put the settings in force into the cycle; True when they are others than in the wake before.

    Settings that were edited void what was set from afar, and the remembered network and layout may be others. The
    diary takes their CRC only once the slots are renumbered, which a weak battery puts off.
    """
    ports = cycle.ports
    r = cycle.r
    cycle.choice = last_good.choose(ports.settings_file(), ports.nvm)
    settings = cycle.settings = cycle.choice.settings
    if cycle.choice.problem:
        r.count("settings")
    edited = r.settings_crc != cycle.choice.crc
    if edited:
        r.remote_id = r.remote_sample_s = r.remote_transmit_s = r.remote_last_days = 0
        r.network = r.channel = r.failures = r.next_transmit_s = 0
        r.broker_ip = bytes(4)
        r.layout = retained.NO_LAYOUT
    cycle.sample_s = r.remote_sample_s or settings["sample_every_s"]
    cycle.transmit_s = max(cycle.sample_s, r.remote_transmit_s or settings["transmit_every_s"])
    cycle.drift_ppm_max = settings["time"]["drift_ppm_max"]
    return edited


def _too_weak(cycle):
    """Two thresholds with hysteresis: no radio below the first, no card write below the second. True: only sleep."""
    r = cycle.r
    battery = cycle.settings["battery"]
    mv = cycle.battery_mv
    if mv is None:
        # a board that cannot measure its battery does not spare it
        r.bits &= ~(retained.RADIO_HELD_OFF | retained.WRITES_HELD_OFF)
        return False
    r.bits = _gate(r.bits, retained.RADIO_HELD_OFF, mv, battery["radio_off_mv"], battery["radio_on_mv"])
    r.bits = _gate(r.bits, retained.WRITES_HELD_OFF, mv, battery["write_off_mv"], battery["write_on_mv"])
    return r.bits & retained.WRITES_HELD_OFF != 0


def _gate(bits, bit, battery_mv, off_mv, on_mv):
    if battery_mv < off_mv:
        return bits | bit
    if battery_mv >= on_mv:
        return bits & ~bit
    return bits


def service(cycle):
    """A window for a person: the board stays awake, so that its console can be reached; the button ends it."""
    ports = cycle.ports
    ports.signal.show("service")
    limit_ms = cycle.settings["status"]["service_s"] * 1000
    spent_ms = ports.clock.elapsed_ms(cycle.started_ms)
    started_ms = ports.clock.ticks_ms()
    while ports.clock.elapsed_ms(started_ms) < limit_ms:
        ports.clock.wait_ms(SERVICE_STEP_MS)
        ports.power.feed_watchdog()
        if ports.signal.button():
            break
    # the window does not count as a part of the wake; what came before it, such as a search for the ring, does
    cycle.started_ms = ports.clock.ticks_ms() - spent_ms
    # the window may have reached into the next slot
    cycle.slot = schedule.slot_of(cycle.time_s(), cycle.sample_s)
    if not schedule.is_stored(cycle.r.last_slot, cycle.slot):
        return "due"
    no_radio = cycle.r.bits & retained.RADIO_HELD_OFF or cycle.settings["broker"] is None
    return "weak" if no_radio else "stored"
