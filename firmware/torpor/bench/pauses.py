"""Long pauses in each power state, so that a meter can settle. Law: each is announced with what to expect, and ends.

The last one is deep sleep, from which nothing of bring-up comes back: the node wakes up, in its usual way.
"""

from .cautions import METER

STEP_MS = 1000
UNKNOWN = "what your board's profile says (hostsim/data/boards has the format)"


def run(report, ports, settings, seconds, expect):
    """expect: {state: text}; states are those of a board profile. What is left to do is to sleep."""
    report.note(METER)
    _pause(report, ports, seconds, expect, "awake", "awake, every rail on, radio off")
    for name in sorted(settings["rails"]):
        try:
            ports.power.rail(name, False)
        except Exception:
            # it has had its line already
            pass
    _pause(report, ports, seconds, expect, "awake", "awake, every rail off, radio off")
    network = settings["network"][0]
    try:
        ports.power.feed_watchdog()
        ports.radio.join(network, None, 0, network["join_s_max"] * 1000)
        _pause(report, ports, seconds, expect, "online", f"joined {network['ssid']}, radio on")
    except Exception:
        report.note("the radio did not join, so that state is left out")
    ports.radio.off()
    report.note(f"now deep sleep for {seconds} s: expect {expect.get('asleep', UNKNOWN)}")
    report.note(SUSPECTS)


SUSPECTS = (
    "more than that asleep: a card that is not behind its rail (0.1 to 1 mA), a power LED (1 to 3 mA), a regulator "
    "with a large current of its own, pull-ups into a rail that is off, a USB bridge"
)


def _pause(report, ports, seconds, expect, state, what):
    report.note(f"now {seconds} s {what}: expect {expect.get(state, UNKNOWN)}")
    for _ in range(seconds):
        ports.clock.wait_ms(STEP_MS)
        ports.power.feed_watchdog()
