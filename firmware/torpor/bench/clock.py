"""The clock that runs on while the node sleeps. Law: it is set here only when it says itself that it is not.

A new chip's oscillator-stop flag is up, which is no fault; one that is up again after the time was set is.
"""

from ..timekeeping import COUNT_START_S

WATCH_MS = 3000


def check(report, ports, settings, buses):
    """buses: what buses.check() returned."""
    time = settings["time"]
    item = "clock " + time["rtc"]
    clock = ports.clock
    on_bus = time["rtc"] != "internal"
    if on_bus and 0x68 not in (buses.get(time["rtc_bus"]) or ()):
        do = "its solder, its supply (it needs one that is always on), or rtc in [time] names another chip"
        report.fail(item, "clock-absent", "does not answer on bus " + time["rtc_bus"], "0x68 answers", do)
        return
    shown_s = clock.rtc_epoch_s()
    stopped = shown_s is None
    if stopped:
        # as the node itself does with a clock that was lost
        clock.set_rtc(COUNT_START_S)
        shown_s = clock.rtc_epoch_s()
    if shown_s is None:
        do = "it does not keep what it is told: its crystal, or the cell's holder shorts it"
        report.fail(item, "clock-forgets", "oscillator-stop flag up again at once", "", do)
        return
    begun_ms = clock.ticks_ms()
    clock.wait_ms(WATCH_MS)
    now_s = clock.rtc_epoch_s()
    counted_s = None if now_s is None else now_s - shown_s
    passed_s = clock.elapsed_ms(begun_ms) // 1000
    value = f"{counted_s} s in {passed_s} s"
    value += ", flag was up: set anew" if stopped else ", flag down"
    report.judge(
        counted_s is not None and abs(counted_s - passed_s) <= 1,
        item,
        "clock-stopped",
        value,
        f"{passed_s} s, 1 s off at most",
        "it does not count: its crystal, or a cold joint",
    )
    if stopped and on_bus:
        report.note(
            f"{item}: its oscillator had stopped, which is so on a new board; take the supply away for a minute and "
            "run this again: if the flag is up again, the clock's own cell is empty or not fitted (clock-no-cell)"
        )
