"""What bites between the board and the broker. Law: each rule knows one way in which a node stays silent or is
listened to, and says how to avoid it."""

import ipaddress
from collections.abc import Iterator

from deploy.check_finding import NOTE, WARNING, Finding, Seen
from hostsim.radio import ASSOCIATING_MS, DHCP_MS, SCANNING_MS

# RFC 2606 and RFC 6761: names that nobody can register
NEVER_FOUND = (".example", ".invalid", ".test", "example.com", "example.org", "example.net")
ONESELF = ("localhost", "127.0.0.1", "0.0.0.0")
# the slowest join of a network that is there, by the simulator's own figures, rounded up to a second
JOIN_S = -(-(ASSOCIATING_MS[1] + SCANNING_MS[1] + DHCP_MS[1]) // 1000)
RESERVE_S = 2


def findings(seen: Seen) -> Iterator[Finding]:
    """Warnings and notes about broker, networks and the watchdog."""
    yield from _broker(seen)
    yield from _open_networks(seen)
    yield from _share_of_join(seen)
    yield from _watchdog(seen)


def _broker(seen: Seen) -> Iterator[Finding]:
    broker = seen.settings["broker"]
    host = broker["host"].lower().rstrip(".")
    if not broker["tls"]:
        reason = (
            "TLS is off: whoever shares the network reads the readings and the broker's password, and can change them"
        )
        yield Finding(
            WARNING, ("broker", "tls"), reason, "write tls = true and put the CA's certificate beside this file"
        )
    elif _is_address(host):
        reason = "is a number, and most certificates name hosts: a node refuses a broker whose number is not in it"
        yield Finding(
            WARNING, ("broker", "host"), reason, "write the host name that stands in the broker's certificate"
        )
    if host in ONESELF:
        yield Finding(WARNING, ("broker", "host"), "is the board itself", "write the name of the broker's machine")
    elif host.endswith(NEVER_FOUND):
        reason = "is a name for examples, which no name server knows"
        yield Finding(NOTE, ("broker", "host"), reason, "write the name of your own broker before it goes out")


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _open_networks(seen: Seen) -> Iterator[Finding]:
    for index, network in enumerate(seen.settings["network"]):
        if not network["password"] and not seen.settings["broker"]["tls"]:
            reason = "is open, and TLS is off: everything can be read from the street"
            yield Finding(
                WARNING, ("network", index, "password"), reason, "switch TLS on, or use a network with a password"
            )


def _share_of_join(seen: Seen) -> Iterator[Finding]:
    count = len(seen.settings["network"])
    total_s = seen.settings["radio"]["join_s_max_total"]
    if total_s < JOIN_S * count:
        reason = (
            f"{total_s} s for {count} network{'s' if count > 1 else ''} leave {total_s / count:.2g} s for each; "
            f"one that is there may need {JOIN_S} s"
        )
        yield Finding(
            WARNING, ("radio", "join_s_max_total"), reason, f"write {JOIN_S * count} or more, or name fewer networks"
        )
    for index, network in enumerate(seen.settings["network"]):
        if network["join_s_max"] < JOIN_S:
            reason = f"is shorter than the {JOIN_S} s that a network which is there may need"
            yield Finding(WARNING, ("network", index, "join_s_max"), reason, f"write {JOIN_S} or more")


def _watchdog(seen: Seen) -> Iterator[Finding]:
    watchdog_s = seen.settings["status"]["watchdog_s"]
    path = ("status", "watchdog_s")
    if watchdog_s == 0:
        reason = "without a watchdog a call that never comes back empties the battery: on CircuitPython a join can"
        yield Finding(WARNING, path, reason, f"write {_longest_call(seen)[0] + RESERVE_S} or more")
        return
    call_s, what = _longest_call(seen)
    if watchdog_s < call_s + RESERVE_S:
        reason = (
            f"{watchdog_s} s are shorter than the longest call, {what} of {call_s} s: it is cut, or the board resets"
        )
        yield Finding(WARNING, path, reason, f"write {call_s + RESERVE_S} or more, or shorten {what}")


def _longest_call(seen: Seen) -> tuple[int, str]:
    """(seconds, the key that allows it) of the longest single call that a platform may be in."""
    join_s = max(network["join_s_max"] for network in seen.settings["network"])
    calls = [(min(join_s, seen.settings["radio"]["join_s_max_total"]), "join_s_max")]
    calls += [(-(-sensor["deadline_ms"] // 1000), "deadline_ms") for sensor in seen.settings["sensor"]]
    return max(calls)
