"""Power cuts in whole wakes, at whatever a node writes. Law: what it stored stays, and it goes on by itself.

A board of tests/unit/fake_ports.py lives through wakes: it makes its ring, is given other channels, sets its clock.
The power goes at a card write, while retained memory is saved, or as the clock is being set; each way of leaving
things behind is tried, and the next wakes find them. What is on the card is read by the format.
"""

import copy
from functools import cache
from unittest import mock

import fake_ports
from cuts_nvm import left_behind
from cuts_plain import Row, by_format
from fake_ports import Board, settings_file
from ring_device import Device, PowerLoss
from torpor.retained import SIZE, Retained

from hostsim import card_format

RING = "torpor.ring"
WAKES, CHANGE_AT, AFTER = 24, 12, 3
SERVER = "one.example"
SECOND_INPUT = b'[[analog]]\nname = "light"\npin = "A1"\n[time]'
OFTEN = b"[time]\nsync_every_h = 1"
TIME_UNKNOWN = 65535
MEMORY_MODES = ("dropped", "torn", "0xFF", "0xFF and torn", "zeroed and torn", "landed")
# the clock has what it had, it has stopped, or it has the new time
CLOCK_MODES = ("dropped", "stopped", "landed")
# a save in so many is followed by whole wakes
WHOLE_STEP = 45


def _joins(network) -> None:
    pass


def _wake(this: Board, number: int) -> None:
    """One wake and the sleep behind it; from one of them on the channels are others."""
    if number == CHANGE_AT:
        this.settings = this.settings.replace(b"[time]", SECOND_INPUT)
    this.sleep(this.wake())


@cache
def lived() -> list[Board]:
    """The board before each wake, and after the last one."""
    this = Board(settings=settings_file(transmit_s=3600).replace(b"[time]", OFTEN))
    this.behaviours = {SERVER: "good"}
    this.join = _joins
    moments = []
    for number in range(WAKES):
        moments.append(copy.deepcopy(this))
        _wake(this, number)
    return [*moments, this]


def on_card(this: Board) -> dict[int, set[bytes]]:
    """{seq: its contents} by the format, in the ring that both copies of the first layout name."""
    device = this.files.get(RING)
    first = _layout(device, 0) if device is not None else None
    return by_format(device, first[0], card_format.half_of(device.sector_count)) if first else {}


def _layout(device: Device, slot: int):
    """(ring id, channels) as both copies state it; None: both are bad; False: one is, or they differ."""
    second = card_format.LAYOUT_SECTORS + card_format.half_of(device.sector_count)
    copies = [card_format.layout_sector(device.sector(start + slot)) for start in (0, second)]
    found = [(copy[2], copy[6]) if copy is not None and copy[0] == slot else None for copy in copies]
    return found[0] if found[0] == found[1] else False


def outcome(this: Board, before: dict[int, set[bytes]]) -> tuple[int, int, int]:
    """(lost, two contents, stuck): some more wakes, and all that had been stored is there as it was."""
    stored = []
    for _ in range(AFTER):
        this.sleep(this.wake())
        stored += [fields["seq"] for name, fields in this.events if name == "stored"]
    after = on_card(this)
    double = {seq for seq, contents in after.items() if len(contents) > 1 or contents != before.get(seq, contents)}
    double |= before.keys() & set(stored)
    device = this.files[RING]
    # the slot of the cut may have its reading already
    goes_on = len(set(stored)) == len(stored) >= AFTER - 1
    sound = _layout(device, 0) and _layout(device, 1) is not False and _in_time(this, after[max(after)])
    return len(before.keys() - after.keys()), len(double), int(not goes_on or not sound)


def _in_time(this: Board, newest: set[bytes]) -> bool:
    """Whether the newest reading states a time within its uncertainty, or that it has none."""
    time_s, uncertainty_s = card_format.record(next(iter(newest)), 0, 1)[:2]
    return uncertainty_s == TIME_UNKNOWN or abs(time_s - this.read_s) <= uncertainty_s


def card_writes(mode: str) -> Row:
    """Each write of each wake: the ring is made, a layout follows, readings are stored."""
    row = Row("whole wakes, card", mode)
    for number, moment in enumerate(lived()[:-1]):
        at_write = 1
        while _cut_at_write(moment, number, at_write, mode, row):
            at_write += 1
    return row


def _cut_at_write(moment: Board, number: int, at_write: int, mode: str, row: Row) -> bool:
    this = copy.deepcopy(moment)
    before = on_card(this)

    def made(sector_count: int) -> Device:
        device = Device(sector_count, number, at_write * 7 % 32)
        device.cut(at_write, mode)
        return device

    for device in this.files.values():
        device.cut(at_write, mode)
    try:
        with mock.patch.object(fake_ports, "Device", made):
            _wake(this, number)
    except PowerLoss:
        pass
    else:
        return False
    for device in this.files.values():
        device.power_on()
    this.power_cut(rtc_lost=at_write % 2 == 0)
    row.add(len(before), outcome(this, before))
    return True


def clock(mode: str) -> Row:
    """Each time that the clock is set."""
    row = Row("the clock being set", mode)
    for number, moment in enumerate(lived()[:-1]):
        this = copy.deepcopy(moment)

        def set_and_cut(epoch_s, rtc=this.rtc):
            if mode == "landed":
                type(rtc).set(rtc, epoch_s)
            elif mode == "stopped":
                rtc.stop()
            raise PowerLoss

        this.rtc.set = set_and_cut
        try:
            _wake(this, number)
        except PowerLoss:
            del this.rtc.set
            this.power_cut()
            before = on_card(this)
            row.add(len(before), outcome(this, before))
    return row


class Recorder(bytearray):
    """Retained memory that keeps what it held before and after each save."""

    def __setitem__(self, where, data):
        before = bytes(self)
        super().__setitem__(where, data)
        self.saves = [*getattr(self, "saves", []), (before, bytes(self))]


def memory(mode: str, step: int) -> Row:
    """Each save of retained memory, `step` bytes from one torn save to the next: whole, or worth nothing."""
    row = Row("retained memory", mode)
    moments = lived()
    for number, moment in enumerate(moments[:-1]):
        this = copy.deepcopy(moment)
        this.retained = Recorder(this.retained)
        _wake(this, number)
        for old, new in this.retained.saves:
            for left in left_behind(mode, old[:SIZE], new[:SIZE], step):
                believed = not Retained(bytearray(left)).cold and left not in (old[:SIZE], new[:SIZE])
                found = (int(believed), 0, 0)
                if row.cuts % WHOLE_STEP == 0:
                    found = _after_reset(moments[number + 1], left + new[SIZE:], found)
                row.add(1, found)
    return row


def _after_reset(moment: Board, left: bytes, found: tuple[int, int, int]) -> tuple[int, int, int]:
    """A reset with that in memory, behind a wake that was over."""
    this = copy.deepcopy(moment)
    this.retained = bytearray(left)
    this.cause, this.reason = "power-on", None
    more = outcome(this, on_card(this))
    return found[0] + more[0], more[1], more[2]
