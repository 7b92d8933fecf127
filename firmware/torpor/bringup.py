"""Bring-up: a board that has just been soldered, part by part. Law: one line an item, nothing changes but the clock.

On the board's console, in the service window: Ctrl-C, then

    from torpor import bringup
    bringup.run(label="07")

docs/bringup.md has every line that may come. The ring on a card, the settings and the diary are left as they are.
"""

from . import last_good
from .bench.report import Report

CUTS = 5


def run(ports=None, label="", out=print, cuts=CUTS, expect=None, radio=True):
    """Every item once; returns the record. ports: None for this board's own.

    cuts: how often the card's supply is cut; expect: {state: current in words}; radio: False leaves it off.
    """
    ports, settings, report = _begin(ports, label, out)
    if settings is None:
        return report.end(None)
    from .bench import buses, card, card_cut, clock, parts, supply

    buses.rails_on(report, ports, settings)
    found = buses.check(report, ports, settings)
    parts.check(report, ports, settings, found)
    clock.check(report, ports, settings, found)
    supply.check(report, ports, settings)
    file = card.check(report, ports, settings)
    card_cut.check(report, ports, settings, file, cuts)
    time_s = _air(report, ports, settings) if radio else None
    asleep = (expect or {}).get("asleep", "what your board's profile says")
    report.note(f"asleep, the meter should show {asleep}; bringup.pauses() gives it time: docs/bringup.md")
    _all_off(ports, settings)
    return report.end(time_s)


def soak(hours=8, every_s=60, ports=None, label="", out=print):
    """The same sensors, card and clock for a night; returns the record."""
    ports, settings, report = _begin(ports, label, out)
    if settings is None:
        return report.end(None)
    from .bench import buses, card, cautions, clock
    from .bench import soak as soaking

    report.note(cautions.SOAK)
    buses.rails_on(report, ports, settings)
    clock.check(report, ports, settings, buses.check(report, ports, settings))
    file = card.check(report, ports, settings)
    soaking.run(report, ports, settings, file, hours, every_s)
    _all_off(ports, settings)
    return report.end(ports.clock.rtc_epoch_s())


def pauses(seconds=60, ports=None, label="", out=print, expect=None):
    """So many seconds in each power state, for a meter. Ends in deep sleep."""
    ports, settings, report = _begin(ports, label, out)
    if settings is None:
        return
    from .bench import buses
    from .bench import pauses as pausing

    buses.rails_on(report, ports, settings)
    pausing.run(report, ports, settings, seconds, expect or {})
    report.end(None)
    ports.power.deep_sleep(seconds)


def survey(ports=None, label="", out=print):
    """The radio alone: for the day and the place where a board is put up."""
    ports, settings, report = _begin(ports, label, out)
    if settings is None:
        return report.end(None)
    from .bench import cautions

    report.note(cautions.SURVEY)
    return report.end(_air(report, ports, settings))


def _begin(ports, label, out):
    """(ports, settings or None where there are none, report)."""
    ports = ports or _own_ports()
    choice = last_good.choose(ports.settings_file(), ports.nvm)
    settings = choice.settings
    report = Report(out, label, ports.eui, settings["node"])
    if choice.problem:
        do = "torpor check settings.toml on the desk names every problem"
        report.fail("settings", "settings", choice.problem, "", do)
        return ports, None, report
    report.passed("settings", f"{choice.crc:08x}")
    return ports, settings, report


def _own_ports():
    try:
        from .boards import circuitpython as port
    except ImportError:
        from .boards import micropython as port
    return port.Ports()


def _air(report, ports, settings):
    """Radio, networks, time, broker; returns the time, None when nobody told it."""
    from .bench import air, hours, session, supply

    before_mv = ports.power.battery_mv()
    told = None
    asked = False
    for network in air.survey(report, ports, settings):
        if not air.join(report, ports, network):
            continue
        if before_mv is not None:
            supply.sag(report, ports, settings["battery"], before_mv)
            before_mv = None
        if settings["broker"] is None:
            report.not_fitted("broker", "no [broker] in the settings")
            break
        if told is None:
            # before the broker: a certificate cannot be checked without the time
            told = hours.check(report, ports, settings)
            asked = True
        session.check(report, ports, settings, network["ssid"], hours.known(ports))
        ports.radio.off()
    ports.radio.off()
    if not asked and settings["broker"] is not None:
        report.fail("time", "time-unasked", "no network was joined", "", "mend the networks first")
    return told


def _all_off(ports, settings):
    for name in settings["rails"]:
        try:
            ports.power.rail(name, False)
        except Exception:
            # it has had its line already
            pass
