"""Battery, voltages, microphones, light and button. Law: what is read at a pin is judged at the pin, too."""

from . import limits
from .cautions import LOW_CELL
from .report import said


def check(report, ports, settings):
    _battery(report, ports, settings["battery"])
    for analog in settings["analog"]:
        _analog(report, ports, analog)
    for sound in settings["sound"]:
        _sound(report, ports, sound)
    _signal(report, ports, settings["status"])


def _battery(report, ports, battery):
    mv = ports.power.battery_mv()
    if not battery["pin"]:
        report.not_fitted("battery", "no pin in [battery]: the node will never know that it is low")
        return
    if mv is None:
        report.fail("battery", "battery-unread", "not read", "", "[battery] pin is none of this board's converters")
        return
    report.numbers["battery_mv"] = mv
    limit = f"{battery['radio_on_mv']} to {limits.CELL_MV_MAX} mV"
    value = f"{mv} mV"
    if mv > limits.CELL_MV_MAX:
        report.fail(
            "battery", "battery-high", value, limit, "the divider in [battery] is not the board's; measure it"
        )
    elif mv < battery["write_off_mv"]:
        report.fail("battery", "battery-low", value, limit, "the node would only sleep; " + LOW_CELL)
    elif mv < battery["radio_on_mv"]:
        report.fail("battery", "battery-low", value, limit, "the radio would stay off; " + LOW_CELL)
    else:
        report.passed("battery", value, limit)


def sag(report, ports, battery, before_mv):
    """How far the battery gives way with the radio on."""
    mv = ports.power.battery_mv()
    if before_mv is None or mv is None:
        return
    down_mv = before_mv - mv
    report.numbers["sag_mv"] = down_mv
    report.judge(
        down_mv <= limits.SAG_MV and mv >= battery["radio_off_mv"],
        "battery under load",
        "battery-weak",
        f"{mv} mV with the radio on, {down_mv} mV less",
        f"{limits.SAG_MV} mV less, {battery['radio_off_mv']} mV at least",
        "the cell is old, cold or nearly empty, or its leads are thin; " + LOW_CELL,
    )


def _analog(report, ports, analog):
    item = "voltage " + analog["name"]
    try:
        pin_mv = int(ports.analog.read_mv(analog["name"]))
    except Exception as error:
        report.fail(item, "voltage-unread", said(error), "", f"pin {analog['pin']} has no converter on this board")
        return
    mv = pin_mv
    if analog["divider_lower_ohm"]:
        mv = pin_mv * (analog["divider_upper_ohm"] + analog["divider_lower_ohm"]) // analog["divider_lower_ohm"]
    report.numbers[analog["name"]] = {"mean": mv, "spread": 0, "exponent": -3, "unit": "V"}
    low, high = limits.PIN_MV
    value = f"{mv} mV ({pin_mv} mV at {analog['pin']})"
    if not low <= pin_mv <= high:
        do = (
            "below: nothing feeds it, or its rail is off; above: the converter cannot show more, so divide it further"
        )
        report.fail(item, "voltage-range", value, f"{low} to {high} mV at the pin", do)
        return
    if analog["name"].startswith("supply"):
        low, high = limits.SUPPLY_MV
        do = "the regulator, its load, or the divider in the settings"
        report.judge(low <= mv <= high, item, "supply-off", value, f"{low} to {high} mV", do)
        return
    report.passed(item, value)


def _sound(report, ports, sound):
    from ..sensors.sound import measure

    item = "sound " + sound["name"]
    low, high = limits.SOUND_TENTHS
    limit = f"{low // 10} to {high // 10} dB"
    ports.power.feed_watchdog()
    try:
        tenths = measure(ports, sound)
    except Exception as error:
        do = "this interpreter has no input for it, or clock and data are swapped: docs/sensors.md"
        report.fail(item, "sound-silent", said(error), limit, do)
        return
    report.numbers[sound["name"]] = {"mean": tenths, "spread": 0, "exponent": -1, "unit": "dB"}
    value = f"{tenths // 10}.{tenths % 10} dB"
    report.judge(low <= tenths <= high, item, "sound-implausible", value, limit, "its solder, or its sensitivity")


def _signal(report, ports, status):
    if status["led"]:
        ports.signal.show("service")
        report.passed("light", "one long and one short blink were shown: did you see them?")
    else:
        report.not_fitted("light")
    if not status["button"]:
        report.not_fitted("button")
        return
    report.judge(
        not ports.signal.button(),
        "button",
        "button-held",
        "pressed" if ports.signal.button() else "not pressed",
        "not pressed",
        "let it go; if nobody presses it, its pin is shorted to ground or is another one",
    )
