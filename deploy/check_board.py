"""What bites on the board itself: card, pins, sensors, and too little time. Law: each rule knows one mistake that no
reading survives unharmed, and that a look at the file can find."""

from collections.abc import Iterator

from deploy.check_drivers import TRIED, WARM_UP_MS
from deploy.check_finding import NOTE, WARNING, Finding, Seen, label, shown
from deploy.check_forecast import life_days
from deploy.check_words import card_days
from hostsim.runtimes.settings_check import without_unit

NEARLY = 0.95  # of a session: what needs longer than this on a good day does not fit on others
CYCLE_S_MAX = 180  # docs/cycle.md: a wake is over after this long
CARD_PINS = ("sck", "mosi", "miso", "cs")
# docs/cuts.md: in a smaller ring both copies of a reading may lie in one unit of 4 MiB
RING_MIB_MIN = 9
# what a card may still be busy with after it has answered: 20 ms is the default
HOLD_MS_MIN = 5
SAFE_MODE = "CIRCUITPY_SAFE_MODE_DELAY"
SAFE_MODE_S = 1  # docs/boards.md


def findings(seen: Seen) -> Iterator[Finding]:
    """Warnings and notes about card, pins, sensors and time."""
    yield from _interval(seen)
    yield from _backlog(seen)
    yield from _card(seen)
    yield from _pins(seen)
    yield from _rails(seen)
    yield from _drivers(seen)
    yield from _platform(seen)


def _interval(seen: Seen) -> Iterator[Finding]:
    settings = seen.settings
    every_s = settings["sample_every_s"]
    longest_s = min(CYCLE_S_MAX, -(-seen.draw.cycle_ms_max // 1000))
    if every_s <= longest_s:
        reason = (
            f"a wake takes up to {longest_s} s when all is well: with a reading every {every_s} s slots are missed"
        )
        yield Finding(WARNING, ("sample_every_s",), reason, f"write {2 * longest_s} or more")
        return
    bad_s = settings["radio"]["join_s_max_total"] + settings["broker"]["session_s_max"]
    bad_s = min(CYCLE_S_MAX, longest_s + bad_s)
    if every_s <= bad_s:
        reason = (
            f"a wake takes up to {bad_s} s when network or broker are down: slots go by meanwhile, and are missed"
        )
        remedy = "write a longer interval, or shorter radio.join_s_max_total and broker.session_s_max"
        yield Finding(WARNING, ("sample_every_s",), reason, remedy)


def _backlog(seen: Seen) -> Iterator[Finding]:
    most_s, needed_s = seen.settings["broker"]["session_s_max"], seen.draw.radio_ms_max / 1000
    if needed_s > NEARLY * most_s:
        count = seen.settings["transmit_every_s"] // seen.settings["sample_every_s"]
        reason = f"{count:,} readings gather between two sessions, and {most_s} s are too short to send them"
        remedy = "send more often, or write a longer broker.session_s_max"
        yield Finding(WARNING, ("transmit_every_s",), f"{reason}: they pile up", remedy)


def _card(seen: Seen) -> Iterator[Finding]:
    card = seen.settings["card"]
    days = card_days(seen.settings)
    if seen.outage_days is not None and days < seen.outage_days:
        size_mib = min(2048, -(-int(card["size_mib"] * seen.outage_days) // int(max(days, 1))) + 1)
        reason = (
            f"the card holds {days:.0f} days of readings; {seen.outage_days:g} days of outage overwrite the oldest"
        )
        yield Finding(WARNING, ("card", "size_mib"), reason, f"write about {size_mib} before the ring is created")
    if card["size_mib"] < RING_MIB_MIN:
        reason = "a card that spoils a unit of 4 MiB may take both copies of a reading with it in so small a ring"
        yield Finding(
            WARNING, ("card", "size_mib"), reason, f"write {RING_MIB_MIN} or more before the ring is created"
        )
    if card["rail"] and card["hold_ms"] < HOLD_MS_MIN:
        reason = f"the card's power goes {card['hold_ms']} ms after a write: many cards still work inside then"
        yield Finding(WARNING, ("card", "hold_ms"), reason, "write 20 or more, or delete the line")


def _pins(seen: Seen) -> Iterator[Finding]:
    used: dict[str, tuple] = {}
    for path, pin in _outputs(seen.settings):
        if pin and pin in used:
            reason = f"pin {shown(pin)} is used by {label(used[pin])} already"
            yield Finding(
                WARNING, path, reason, "two things on one pin disturb each other: write the pin that it is wired to"
            )
        elif pin:
            used[pin] = path


def _outputs(settings: dict) -> Iterator[tuple[tuple, str]]:
    """(path, pin) of all that needs a pin of its own; microphones may share their clock."""
    for name, pin in settings["rails"].items():
        yield ("rails", name), pin
    for index, bus in enumerate(settings["bus"]):
        yield ("bus", index, "scl"), bus["scl"]
        yield ("bus", index, "sda"), bus["sda"]
    for key in CARD_PINS:
        yield ("card", key), settings["card"][key]
    for key in ("led", "button"):
        yield ("status", key), settings["status"][key]
    yield ("time", "rtc_alarm"), settings["time"]["rtc_alarm"]
    for index, analog in enumerate(settings["analog"]):
        # a channel may show the battery's own pin
        if analog["pin"] != settings["battery"]["pin"]:
            yield ("analog", index, "pin"), analog["pin"]
    yield ("battery", "pin"), settings["battery"]["pin"]
    for index, sound in enumerate(settings["sound"]):
        yield ("sound", index, "data"), sound["data"]


def _rails(seen: Seen) -> Iterator[Finding]:
    settings = seen.settings
    users = [*settings["sensor"], *settings["analog"], *settings["sound"], *settings["bus"], settings["card"]]
    for name in settings["rails"]:
        if name not in [user["rail"] for user in users]:
            reason = "nothing hangs on this rail, so it is never switched on"
            yield Finding(WARNING, ("rails", name), reason, "write rail = ... where it feeds something, or delete it")


def _drivers(seen: Seen) -> Iterator[Finding]:
    for index, sensor in enumerate(seen.settings["sensor"]):
        driver, path = sensor["driver"], ("sensor", index, "driver")
        if driver not in TRIED:
            reason = "is not among the drivers that were tried (docs/sensors.md)"
            yield Finding(NOTE, path, reason, "try it on the bench; it needs I2C, and properties that are numbers")
        elif sensor["deadline_ms"] <= TRIED[driver]:
            reason = f"the driver itself waits {TRIED[driver]} ms: nothing is read within {sensor['deadline_ms']} ms"
            yield Finding(WARNING, ("sensor", index, "deadline_ms"), reason, f"write {2 * TRIED[driver]} or more")
        needed_ms = WARM_UP_MS.get(driver, 0)
        if sensor["warm_up_ms"] < needed_ms:
            reason = f"measures by itself, for the first time after {needed_ms} ms: nothing would be read"
            yield Finding(WARNING, ("sensor", index, "warm_up_ms"), reason, f"write warm_up_ms = {needed_ms} or more")
    for index, name in without_unit(seen.settings):
        reason = f"{shown(name)} has no unit that is known here: it goes out as a mere number of three decimals"
        yield Finding(NOTE, ("sensor", index, "read"), reason, "add a [[quantity]] section that says its unit")


def _platform(seen: Seen) -> Iterator[Finding]:
    if SAFE_MODE in seen.given:
        return
    more_ua = seen.board.states["awake"].current_ua * SAFE_MODE_S / seen.settings["sample_every_s"]
    cost = f"{more_ua:.0f} uA more on average"
    if seen.capacity_mah:
        cost = f"about {life_days(seen.capacity_mah, seen.draw.mean_ua + more_ua):.0f} days instead of the above"
    reason = f"CircuitPython 10 waits a second for its safe-mode button at every wake: {cost}"
    yield Finding(NOTE, (), reason, f"on CircuitPython write {SAFE_MODE} = 0 above the first section")
