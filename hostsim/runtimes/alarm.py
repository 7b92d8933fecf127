"""The alarm of a clock chip whose pin wakes the board. Law: it comes by the oscillator of the chip, and no other."""

from hostsim.node import Node

LOOK_AHEAD_MS = 2 * 86_400_000


def interrupt_ms(node: Node) -> int | None:
    """In how many ms the clock chip pulls its pin low; None: not within two days."""
    part = node.clock_chip
    if part is None:
        return None
    if part.interrupt():
        return 0
    at_s = part.alarm_s()
    last_s = node.clock.shows(node.now_ms + LOOK_AHEAD_MS)
    if at_s is None or last_s is None or last_s < at_s:
        # one that has lost its supply counts from 2000, where no alarm was set to
        return None
    low, high = 0, LOOK_AHEAD_MS
    while low < high:
        middle = (low + high) // 2
        if node.clock.shows(node.now_ms + middle) >= at_s:
            high = middle
        else:
            low = middle + 1
    return low
