"""What bites in the supply and the clock. Law: each rule names the figure that it judges by and where it is from."""

from collections.abc import Iterator

from deploy.check_finding import NOTE, WARNING, Finding, Seen, shown
from deploy.check_forecast import life_days

FULL_CELL_MV = 4200  # a lithium cell when full
PIN_MV_MAX = 3300  # what the pins of most boards bear
DIVIDER_UA_MAX = 20.0  # a fifth of what a whole node draws asleep (the bundled profile)
THRESHOLDS = ("write_off_mv", "write_on_mv", "radio_off_mv", "radio_on_mv")
# An oscillator without a crystal, on a chip that sleeps: +20 min in 15 h has been reported, which is 22,000 ppm
INTERNAL_PPM_MIN = 10000
# What makers allow from -40 to 85 degC (from memory): 3.5 ppm where temperature is compensated; a watch crystal is
# 20 ppm off, and loses 0.034 ppm per degC squared, 69 ppm at -20 degC
CHIP_PPM_MIN = {
    "ds3231": (4, "3.5 ppm from -40 to 85 degC"),
    "pcf8523": (90, "a watch crystal's, 89 ppm at -20 degC"),
}


def findings(seen: Seen) -> Iterator[Finding]:
    """Warnings and notes about battery, clock and their buses."""
    yield from _thresholds(seen)
    yield from _divider(seen)
    yield from _life(seen)
    yield from _drift(seen)
    yield from _clock_bus(seen)


def _thresholds(seen: Seen) -> Iterator[Finding]:
    battery = seen.settings["battery"]
    if battery["pin"]:
        if battery["radio_on_mv"] >= FULL_CELL_MV and battery["radio_on_mv"] < 2 * PIN_MV_MAX:
            reason = f"is more than a lithium cell ever has ({FULL_CELL_MV} mV): once off, the radio stays off"
            yield Finding(
                WARNING, ("battery", "radio_on_mv"), reason, "write a voltage that the battery can come back to"
            )
        return
    written = [key for key in THRESHOLDS if seen.is_given("battery", key)]
    if written:
        reason = "is never looked at, because no pin reads the battery's voltage"
        yield Finding(
            WARNING, ("battery", written[0]), reason, "write battery.pin and its divider, or delete the thresholds"
        )
    else:
        reason = "no pin reads the battery's voltage: the node is not spared when it runs low, and nobody is told"
        yield Finding(NOTE, ("battery", "pin"), reason, "write battery.pin and its divider where the board has them")


def _divider(seen: Seen) -> Iterator[Finding]:
    battery = seen.settings["battery"]
    if not battery["pin"]:
        return
    upper_ohm, lower_ohm = battery["divider_upper_ohm"], battery["divider_lower_ohm"]
    whole_ohm = upper_ohm + lower_ohm
    at_pin_mv = FULL_CELL_MV * lower_ohm // whole_ohm if whole_ohm else FULL_CELL_MV
    if at_pin_mv > PIN_MV_MAX:
        reason = f"a full lithium cell puts {at_pin_mv} mV on this pin; most boards bear {PIN_MV_MAX}"
        remedy = "write divider_upper_ohm and divider_lower_ohm as they are fitted; without any, do not connect it"
        yield Finding(WARNING, ("battery", "pin"), reason, remedy)
    elif whole_ohm and FULL_CELL_MV * 1000 / whole_ohm > DIVIDER_UA_MAX:
        reason = f"the divider takes {FULL_CELL_MV * 1000 / whole_ohm:.0f} uA day and night, unknown to the profile"
        yield Finding(
            WARNING, ("battery", "divider_upper_ohm"), reason, "fit larger resistors: 1000000 each take 2 uA"
        )


def _life(seen: Seen) -> Iterator[Finding]:
    wanted = seen.settings["must_last_days"]
    if not wanted:
        return
    if not seen.capacity_mah:
        reason = f"{wanted} days are wanted, and nobody says what the battery holds"
        yield Finding(WARNING, ("must_last_days",), reason, "write battery.capacity_mah, or ask with --battery-mah")
        return
    days, worst = (life_days(seen.capacity_mah, ua) for ua in (seen.draw.mean_ua, seen.draw.high_ua))
    remedy = "read or send less often, or take a larger battery"
    if days < wanted:
        reason = f"{wanted} days are wanted, and the battery is good for about {days:.0f}"
        yield Finding(WARNING, ("must_last_days",), reason, remedy)
    elif worst < wanted:
        reason = f"{wanted} days are wanted; at the upper end of the profile's currents the battery lasts {worst:.0f}"
        yield Finding(NOTE, ("must_last_days",), reason, f"measure your board's currents, or {remedy}")


def _drift(seen: Seen) -> Iterator[Finding]:
    time = seen.settings["time"]
    kind, stated = time["rtc"], time["drift_ppm_max"]
    path = ("time", "drift_ppm_max")
    if kind == "internal" and stated < INTERNAL_PPM_MIN:
        reason = (
            f"{stated} ppm is tight for the clock inside a chip, which on many runs without a crystal in sleep: "
            "readings would claim to be better timed than they are"
        )
        remedy = f"fit a clock chip and name it in time.rtc; or write {INTERNAL_PPM_MIN} to 50000; "
        yield Finding(WARNING, path, reason, remedy + "with a crystal of its own, what its maker allows")
    elif kind in CHIP_PPM_MIN and stated < CHIP_PPM_MIN[kind][0]:
        least, source = CHIP_PPM_MIN[kind]
        reason = f"{stated} ppm is less than the {kind} can keep ({source})"
        yield Finding(WARNING, path, reason, f"write {least} or more")


def _clock_bus(seen: Seen) -> Iterator[Finding]:
    time = seen.settings["time"]
    if time["rtc"] == "internal":
        return
    bus = time["rtc_bus"]
    rail = next((entry["rail"] for entry in seen.settings["bus"] if entry["name"] == bus), "")
    if rail:
        gone = f"bus {shown(bus)}, whose pull-ups go off with rail {shown(rail)}"
        reason = f"the clock hangs on {gone}: no time can be read at a wake"
        yield Finding(WARNING, ("time", "rtc_bus"), reason, "give the clock a bus whose pull-ups are always fed")
        return
    gated = [index for index, one in enumerate(seen.settings["sensor"]) if one["bus"] == bus and one["rail"]]
    if gated:
        reason = (
            f"the clock shares bus {shown(bus)} with a sensor on a switched rail; some parts without supply pull it "
            "down, and the clock cannot be read at a wake"
        )
        yield Finding(
            NOTE, ("sensor", gated[0], "rail"), reason, "try it on the bench, or give the clock a [[bus]] of its own"
        )
