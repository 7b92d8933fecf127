"""Overnight: the same again and again, the sensors' rails off in between. Law: memory does not grow with the hours.

What fails once in a thousand times on the bench fails daily in the field: cold joints, rails that come up slowly,
cards that stall.
"""

from .. import senml
from ..errors import CardError
from ..record import ABSENT
from ..sensors.quantities import channels
from ..sensors.sampling import sample
from . import card as cards
from .report import said

STEP_MS = 5000


class Tally:
    """Figures of one channel."""

    def __init__(self, name, unit, exponent):
        self.name, self.unit, self.exponent = name, unit, exponent
        self.count = self.absent = self.total = 0
        self.low = self.high = None

    def take(self, value):
        if value == ABSENT:
            self.absent += 1
            return
        self.count += 1
        self.total += value
        self.low = value if self.low is None else min(self.low, value)
        self.high = value if self.high is None else max(self.high, value)


def run(report, ports, settings, file, hours, every_s):
    """Items `soak ...` after so many hours, and a line each hour. file: from card.check(), None: no card."""
    clock = ports.clock
    tallies = [Tally(name, unit, exponent) for name, unit, exponent, _ in channels(settings)]
    card = {"good": 0, "bad": 0, "last": ""}
    began_rtc_s = clock.rtc_epoch_s()
    spent_ms = rounds = 0
    told_h = 0
    while spent_ms < hours * 3600000:
        begun_ms = clock.ticks_ms()
        ports.power.feed_watchdog()
        values, _, _ = sample(ports, settings)
        for tally, value in zip(tallies, values):
            tally.take(value)
        if file is not None:
            _card(file, card, rounds)
        rounds += 1
        left_ms = every_s * 1000 - clock.elapsed_ms(begun_ms)
        while left_ms > 0:
            clock.wait_ms(min(STEP_MS, left_ms))
            ports.power.feed_watchdog()
            left_ms = every_s * 1000 - clock.elapsed_ms(begun_ms)
        spent_ms += clock.elapsed_ms(begun_ms)
        if spent_ms // 3600000 > told_h:
            told_h = spent_ms // 3600000
            absent = sum([tally.absent for tally in tallies])
            report.now(f"soak: hour {told_h}, {rounds} rounds, {absent} absent values, {card['bad']} bad writes")
    _say(report, tallies, rounds)
    if file is not None:
        _say_card(report, card, rounds)
    ended_rtc_s = clock.rtc_epoch_s()
    _drift(report, began_rtc_s, ended_rtc_s, spent_ms, settings["time"]["drift_ppm_max"])


def _card(file, card, number):
    """One sector written and read back."""
    try:
        sector = number % cards.SECTORS
        file.write(sector, cards.content(sector, number))
        good = cards.reads_as(file, sector, number)
    except CardError as error:
        good = False
        card["last"] = said(error)
    card["good" if good else "bad"] += 1


def _say(report, tallies, rounds):
    for tally in tallies:
        item = "soak " + tally.name
        if not tally.count:
            report.fail(item, "soak-absent", f"absent {tally.absent} of {rounds} times", "0", "see its line above")
            continue
        low, high = senml.decimal(tally.low, tally.exponent), senml.decimal(tally.high, tally.exponent)
        mean = tally.total // tally.count
        report.numbers[item] = {
            "mean": mean,
            "spread": tally.high - tally.low,
            "exponent": tally.exponent,
            "unit": tally.unit,
        }
        value = f"{low} to {high} {tally.unit} in {tally.count} readings, absent {tally.absent} times"
        do = "it fails now and then: a joint, a slow rail (warm_up_ms), or too short a deadline_ms"
        report.judge(not tally.absent, item, "soak-absent", value, "absent 0 times", do)


def _say_card(report, card, rounds):
    value = f"{card['good']} of {rounds} writes read back" + (f"; {card['last']}" if card["last"] else "")
    do = "contacts, supply, or the card itself"
    report.judge(not card["bad"], "soak card", "soak-card", value, f"{rounds}", do)


def _drift(report, began_s, ended_s, spent_ms, ppm_max):
    if began_s is None or ended_s is None:
        report.fail("soak clock", "clock-stopped", "its flag came up on the way", "", "its supply or its crystal")
        return
    off_s = ended_s - began_s - spent_ms // 1000
    # both clocks are off, and each shows whole seconds
    limit_s = 2 + spent_ms // 1000 * (ppm_max + 100) // 1000000
    report.numbers["soak clock"] = {"off_s": off_s, "over_s": spent_ms // 1000}
    do = "it and the chip's own clock drift apart: its crystal, or drift_ppm_max"
    report.judge(abs(off_s) <= limit_s, "soak clock", "clock-off", f"{off_s} s apart", f"{limit_s} s", do)
