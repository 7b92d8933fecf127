"""Readings that arrived at the broker against those that were stored. Law: a pack is the reading, or it is a lie."""

from hostsim import card_format
from hostsim.clock_book import ClockBook
from hostsim.ledger import JUMPED, NOT_SURE, TIME_UNKNOWN, Ledger
from hostsim.plain_pack import PlainChannels, head
from hostsim.senml_read import SenmlError, reading

# a number that needs more zeros than this to be written in its channel's last place is none of ours
ZEROS_MAX = 12


class Arrivals:
    """Judges the packs of one node. broken(invariant, t_ms, fact) is told what speaks against them.

    device: 16 hex digits of the node's EUI-64, None where it is not known. prompt: a pack is told at the moment at
    which it arrives; with a real broker the news may come after the node has heard of it.
    """

    def __init__(self, start_epoch_s: int, ledgers: dict[int, Ledger], clock: ClockBook, tally, broken):
        self.device: str | None = None
        self.prompt = True
        self._start_ms = start_epoch_s * 1000
        self._ledgers = ledgers
        self._clock = clock
        self._tally = tally
        self._broken = broken
        self._forgotten = False
        self._plain: dict[tuple[int, int], PlainChannels] = {}  # by ring id and layout

    def published(self, t_ms: int, payload: bytes, time_offered=None, forgotten: bool = False) -> None:
        """time_offered() -> bool: a time server could have been asked in this wake; None: nobody knows.

        forgotten: the broker takes it, acknowledges it, and dies before anybody has it.
        """
        self._forgotten = forgotten
        found = head(payload)
        if found is not None:
            device, time_s, seq, ring_id, uncertainty_s, rest = found
            ledger = self._ledgers.get(ring_id)
            if ledger is not None and ledger.has(seq) and self._is_plain(ledger, seq, rest):
                self._check_device(t_ms, seq, device)
                self._judge_time(t_ms, ledger, seq, time_s, uncertainty_s, time_offered)
                self._deliver(t_ms, ledger, seq)
                return
        try:
            message = reading(payload)
        except SenmlError as error:
            self._broken(2, t_ms, f"a payload is not a reading: {error}")
            return
        seq = message["seq"]
        ledger = self._ledgers.get(int(message["ring"], 16))
        if ledger is None or not ledger.has(seq):
            if ledger is not None and self._comes_late(ledger, seq):
                ledger.deliver_late()
                return
            self._broken(2, t_ms, f"reading {seq} of ring {message['ring']} was delivered and never stored")
            return
        self._check_device(t_ms, seq, message["device"])
        if not self._is_content(ledger, seq, message):
            self._broken(2, t_ms, f"reading {seq} was delivered with another content than it was stored with")
        self._judge_time(t_ms, ledger, seq, message["time_s"], message["uncertainty_s"], time_offered)
        self._deliver(t_ms, ledger, seq)

    def _deliver(self, t_ms: int, ledger: Ledger, seq: int) -> None:
        if self._forgotten:
            ledger.forget(seq)
        elif ledger.deliver(seq):
            self._tally.delivered(t_ms, t_ms - ledger.taken_ms[seq % ledger.capacity])

    def _check_device(self, t_ms: int, seq: int, device: str) -> None:
        if self.device is not None and device != self.device:
            self._broken(2, t_ms, f"reading {seq} was delivered under the name of another device")

    def _is_plain(self, ledger: Ledger, seq: int, rest: bytes) -> bool:
        """True when the pack behind its head is what it has to be for this record, told without taking it apart."""
        record = ledger.record(seq, ledger.room)
        key = ledger.ring_id, record[8]
        plain = self._plain.get(key)
        if plain is None:
            channels = ledger.layouts.get(record[8])
            if ledger.volatile or channels is None:
                return False
            plain = self._plain[key] = PlainChannels(channels)
        if not plain.usual:
            return False
        flags, fields = card_format.record(record, 0, plain.count)[4:]
        if flags or any(fields[1::2]) or card_format.ABSENT in fields:
            return False
        return plain.written(fields[::2]) == rest

    def _comes_late(self, ledger: Ledger, seq: int) -> bool:
        return not self.prompt and ledger.lost_unseen > 0 and 1 <= seq <= ledger.newest - ledger.capacity

    def _is_content(self, ledger: Ledger, seq: int, message: dict) -> bool:
        record = ledger.record(seq, ledger.room)
        for channels in layouts(ledger, self._ledgers, record[8]):
            time_s, uncertainty_s, run, _, flags, fields = card_format.record(record, 0, len(channels))
            if flags == message["record_flags"] and _same(message, channels, fields):
                if message["run"] is None:
                    return True
                return message["run"] == run and (uncertainty_s != TIME_UNKNOWN or message["run_s"] == time_s)
        return False

    def _judge_time(self, t_ms: int, ledger: Ledger, seq: int, stated_s, uncertainty_s, time_offered) -> None:
        place = seq % ledger.capacity
        before_s, before_uncertainty_s = ledger.stated_s[place], ledger.stated_uncertainty_s[place]
        bound_s = ledger.bound_s[place]
        if stated_s is None:
            if before_s >= 0:
                self._broken(5, t_ms, f"reading {seq} was delivered without the time that it had")
            elif bound_s not in (NOT_SURE, JUMPED):
                self._broken(5, t_ms, f"reading {seq} states no time, and its clock had been set")
            elif time_offered is not None and self._clock.waits(ledger, seq) and time_offered():
                self._broken(5, t_ms, f"reading {seq} states no time, and a time server was there to be asked")
            return
        if before_s >= 0 and not (uncertainty_s <= before_uncertainty_s >= abs(stated_s - before_s)):
            self._broken(2, t_ms, f"reading {seq} was delivered with a wider or another time than before")
        ledger.stated_s[place] = stated_s
        ledger.stated_uncertainty_s[place] = min(uncertainty_s, 2**31 - 1)
        off_s = abs(stated_s * 1000 - self._start_ms - ledger.taken_ms[place]) / 1000.0
        self._tally.time(uncertainty_s, off_s)
        if bound_s == JUMPED:
            return
        if off_s > uncertainty_s:
            self._broken(5, t_ms, f"the time of reading {seq} is {off_s:.1f} s off and states {uncertainty_s} s")
        if bound_s != NOT_SURE and uncertainty_s > bound_s:
            self._broken(5, t_ms, f"reading {seq} states {uncertainty_s} s where {bound_s:.1f} s is the most")


def layouts(ledger: Ledger, ledgers: dict[int, Ledger], number: int) -> list[list]:
    """The channels that a record of this ring under the layout `number` may have: each of the lists is possible.

    Retained memory keeps no names: a held record's are those of a layout of as many channels that a card has seen.
    Where none has been seen yet, the channels are None.
    """
    if not ledger.volatile:
        channels = ledger.layouts.get(number)
        return [] if channels is None else [channels]
    if number != 0:
        return []
    nameless = ledger.layouts[0]
    seen = [
        channels
        for other in ledgers.values()
        if not other.volatile
        for channels in other.layouts.values()
        if len(channels) == len(nameless)
    ]
    return seen or [nameless]


def _same(message: dict, channels, fields) -> bool:
    values, units, flags = message["values"], message["units"], message["flags"]
    if channels[:1] == [None]:
        numbers = [value for value in fields[::2] if value != card_format.ABSENT]
        return [digits for digits, _ in values.values()] == numbers and list(flags.values()) == list(
            filter(None, fields[1::2])
        )
    present = flagged = 0
    for index, (name, unit, exponent, _) in enumerate(channels):
        value, flag = fields[2 * index], fields[2 * index + 1]
        if value != card_format.ABSENT:
            written = values.get(name)
            if written is None or units.get(name, "") != unit or not _equal(written, value, exponent):
                return False
            present += 1
        if flag:
            if flags.get(name) != flag:
                return False
            flagged += 1
    # what is left over has no channel
    return present == len(values) and flagged == len(flags)


def _equal(written: tuple[int, int], value: int, exponent: int) -> bool:
    digits, places = written
    if places == exponent:
        return digits == value
    if not -ZEROS_MAX <= places - exponent <= ZEROS_MAX:
        return False
    if places > exponent:
        return digits * 10 ** (places - exponent) == value
    return digits == value * 10 ** (exponent - places)
