"""What the desk asks for in a session, answered. Law: it is answered once, and within what the session has left.

Imported only where such a message has come.
"""

from . import messages, schedule


def wanted(payload, ring_name, cycle):
    """([(first, last)] to send again, how many readings of them today); messages.have says which are new."""
    asked = messages.have(payload, ring_name, cycle.r)
    return asked, messages.allowance(cycle.r, cycle.time_s() // 86400)


def again(delivery, source, asked, allowed):
    """Yield (seq, packet) of the readings asked for that the ring still has; `delivery` hears of the others."""
    ring = source.ring
    r = delivery.r
    oldest = ring.oldest()
    for first, last in asked:
        if first < oldest:
            delivery.missing(first, min(last, oldest - 1))
        for seq in range(max(first, oldest), min(last, ring.acked_to) + 1):
            if allowed <= 0 or not delivery.in_time():
                return
            data = delivery.packer.packet(source, seq, r.sent_to)
            if data:
                allowed -= 1
                r.have_sent += 1
                yield seq, data
            elif data is not None:
                delivery.missing(seq, seq)


def take_settings(cycle, payload):
    """Let a `settings` message that is new and within its bounds change this node from now on."""
    r = cycle.r
    every_s = cycle.sample_s
    if not messages.remote_settings(payload, r, _within):
        return
    cycle.sample_s = r.remote_sample_s or cycle.settings["sample_every_s"]
    cycle.transmit_s = max(cycle.sample_s, r.remote_transmit_s or cycle.settings["transmit_every_s"])
    r.last_slot = schedule.renumber(r.last_slot, every_s, cycle.sample_s, cycle.time_s())
    cycle.ports.log.event("settings-taken", id=r.remote_id)


def _within(key, value):
    # imported for a message that is new: it is the same one for months
    from .settings import within

    return within(key, value)
