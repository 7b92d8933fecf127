"""What the radio hears, and which network the node would use. Law: every attempt is announced before it is made.

Some platforms never come back from a join; the watchdog resets the board then, and the announcement is its last line.
"""

from ..errors import LinkError
from . import limits
from .report import said

LISTED_MAX = 16
# an attempt that took all of its time failed for want of an address
NEAR_MS = 500


def survey(report, ports, settings):
    """The site survey; returns the settings' networks that are heard, in the order in which they are tried."""
    report.now("radio")
    ports.power.feed_watchdog()
    try:
        heard = ports.bench().scan()
    except Exception as error:
        report.fail(
            "radio", "radio-dead", said(error), "", "its supply gives way when it starts, or it has no antenna"
        )
        return []
    best = {}
    for ssid, _, _, rssi_dbm in heard:
        if rssi_dbm > best.get(ssid, -200):
            best[ssid] = rssi_dbm
    ranking = sorted([(-best[ssid], ssid) for ssid in best if ssid])[:LISTED_MAX]
    report.numbers["networks"] = [[ssid, -down] for down, ssid in ranking]
    if not heard:
        do = "antenna, its cable, metal around it; or there is no network here at all"
        report.fail("radio", "air-silent", "hears nothing", "one network at least", do)
        return []
    report.passed("radio", f"hears {len(ranking)} networks: " + ", ".join([f"{s} {-d} dBm" for d, s in ranking]))
    return _usable(report, settings["network"], best)


def _usable(report, networks, best):
    usable = [network for network in networks if network["ssid"] in best]
    for network in networks:
        if network["ssid"] not in best:
            # another place may have it, so this alone is no failure
            report.note(f"network {network['ssid']} (network-absent): is not heard here")
    if not usable:
        do = "spelling of ssid, a 5 GHz network where the chip has 2.4 GHz only, distance; a hidden one is not seen"
        report.fail("networks", "network-absent", "none of the settings' is heard", "one at least", do)
        return networks if "" in best else []
    first = usable[0]["ssid"]
    report.judge(
        max([best[network["ssid"]] for network in usable]) >= limits.RSSI_DBM_MIN,
        "networks",
        "network-weak",
        f"would use {first} ({best[first]} dBm); {len(usable)} of {len(networks)} heard",
        f"{limits.RSSI_DBM_MIN} dBm",
        "move the board or its antenna, or bring an access point nearer",
    )
    return usable


def join(report, ports, network):
    """True once there is an address."""
    item = "join " + network["ssid"]
    clock = ports.clock
    limit_ms = network["join_s_max"] * 1000
    report.now(item)
    ports.power.feed_watchdog()
    begun_ms = clock.ticks_ms()
    try:
        ports.radio.join(network, None, 0, limit_ms)
    except LinkError as error:
        took_ms = clock.elapsed_ms(begun_ms)
        text = str(error.args[1] if len(error.args) > 1 else "") or "failed"
        if took_ms >= limit_ms - NEAR_MS or "timeout" in text or "address" in text:
            do = "it is joined, and hands out no address (DHCP): restart it, or set address, netmask and gateway"
            report.fail(item, "join-no-address", f"{text} after {took_ms} ms", f"{limit_ms} ms", do)
        else:
            do = "password of that [[network]]; or the access point takes nobody more, or no such chip (MAC filter)"
            report.fail(item, "join-refused", f"{text} after {took_ms} ms", f"{limit_ms} ms", do)
        return False
    took_ms = clock.elapsed_ms(begun_ms)
    rssi_dbm = ports.radio.rssi_dbm()
    report.numbers[item] = {"ms": took_ms, "rssi_dbm": rssi_dbm}
    shown = "" if rssi_dbm is None else f", {rssi_dbm} dBm"
    report.passed(item, f"in {took_ms} ms{shown}", f"{limit_ms} ms")
    return True
