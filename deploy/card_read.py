"""The readings of a ring, from docs/formats.md section 5. Law: each is as it was stored, or is said to be lost.

One pass over all sectors finds what there is; the readings then come in order, each from its own sector or, where
that is damaged, from one of the sectors behind it that repeat it. Only the layouts and the runs' beginnings are
kept in memory.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from struct import Struct

from deploy.card_find import CardError, Sectors
from deploy.store_spans import spans
from hostsim import card_format

TIME_UNKNOWN = 65535
SKIPPED_MAX = 64  # numbers that a node may pass over after a loss of power
_RUN = Struct("<HIH")  # run, run_epoch_s, run_uncertainty_s at 20


@dataclass
class Damage:
    """What is not as it should be. Numbers of readings, as inclusive intervals."""

    rescued: list[tuple[int, int]] = field(default_factory=list)
    lost: list[tuple[int, int]] = field(default_factory=list)
    skipped: list[tuple[int, int]] = field(default_factory=list)
    unnamed: list[tuple[int, int]] = field(default_factory=list)  # there, but what its channels are is not
    short_sectors: int = 0  # that the file should have and has not


class Ring:
    """One ring. Attributes: ring_id, node, eui, channels (all, in order of their layouts), head, first, acked_to."""

    def __init__(self, sectors: Sectors):
        self._sectors = sectors
        self.name = sectors.name
        self.layouts: dict[int, tuple] = {}
        self._identify()
        self._anchors: dict[int, tuple[int, int, int]] = {}  # run: seq of the sector, epoch, uncertainty
        self._at: dict[int, int] = {}  # seq: position, in an image without a file system
        self.head = self.acked_to = 0
        self._survey()
        self.first = max(1, self.head - 2 * self.half + 1)
        self.damage = Damage()
        self.from_s: int | None = None  # the first and the last known time of readings()
        self.to_s: int | None = None
        whole = 2 * (self.half + card_format.LAYOUT_SECTORS) + card_format.GAP_SECTORS
        if sectors.placed:
            self.damage.short_sectors = max(0, whole - sectors.count)

    def _identify(self) -> None:
        """What ring it is: layout slot 0, copy 0 before copy 1."""
        slots = []
        for position, data in self._sectors.all():
            found = card_format.layout_sector(data) if data[:4] == b"tpLy" else None
            if found is not None and self._sectors.ring_id in (None, found[2]):
                slots.append((position, found))
        first = [found for _, found in sorted(slots, key=lambda slot: slot[0]) if found[0] == 0]
        if not first:
            raise CardError(
                f"{self.name}: what its channels are is gone: both copies of the first layout are damaged"
            )
        _, self.stride, self.ring_id, self.half, eui, self.node, _ = first[0]
        self.eui = eui.hex()
        self.ring = f"{self.ring_id:08x}"
        for _, found in slots:
            if found[2] == self.ring_id:
                self.layouts.setdefault(found[0], found[6])
        named = {(name, unit): None for slot in sorted(self.layouts) for name, unit, _, _ in self.layouts[slot]}
        self.channels = list(named)

    def _survey(self) -> None:
        for position, data in self._sectors.all():
            found = self._data(data)
            if found is None:
                continue
            seq = found[1]
            if not self._sectors.placed:
                self._at[seq] = position
            elif card_format.place_of(seq, self.half) != position:
                continue
            self.head = max(self.head, seq)
            self.acked_to = max(self.acked_to, found[2])
            run, epoch_s, uncertainty_s = _RUN.unpack_from(data, 20)
            if epoch_s and seq >= self._anchors.get(run, (0, 0, 0))[0]:
                self._anchors[run] = seq, epoch_s, uncertainty_s

    def _data(self, data: bytes):
        found = card_format.data_sector(data) if len(data) == card_format.SECTOR and data[:4] == b"tpRg" else None
        return found if found is not None and found[0] == self.ring_id and found[3] == self.stride else None

    def _sector(self, seq: int):
        """(bytes, n) of the sector of a reading, None where it is damaged."""
        position = card_format.place_of(seq, self.half) if self._sectors.placed else self._at.get(seq)
        data = self._sectors.read(position) if position is not None else b""
        found = self._data(data)
        return (data, found[4]) if found is not None and found[1] == seq else None

    def readings(self) -> Iterator[dict]:
        """The readings in order, as senml_read.reading gives them; `damage` is complete at the end."""
        rescued, lost, unnamed = [], [], []
        self.damage = Damage(short_sectors=self.damage.short_sectors)
        for seq in range(self.first, self.head + 1):
            own = self._sector(seq)
            if own is not None:
                data, at = own[0], 32 + (own[1] - 1) * self.stride
            else:
                repeat = self._repeat(seq)
                if repeat is None:
                    lost.append(seq)
                    continue
                data, at = repeat
                rescued.append(seq)
            message = self._message(seq, data, at)
            if message is None:
                unnamed.append(seq)
                continue
            if message["time_s"] is not None:
                self.from_s = self.from_s if self.from_s is not None else message["time_s"]
                self.to_s = message["time_s"]
            yield message
        self.damage.rescued, self.damage.unnamed = spans(rescued), spans(unnamed)
        for interval in spans(lost):
            kind = self.damage.skipped if self._was_skipped(interval) else self.damage.lost
            kind.append(interval)

    def _repeat(self, seq: int):
        window = (card_format.SECTOR - 36) // self.stride
        for later in range(seq + 1, min(seq + window, self.head + 1)):
            found = self._sector(later)
            if found is not None and later - found[1] < seq:
                return found[0], 32 + (seq - later + found[1] - 1) * self.stride
        return None

    def _was_skipped(self, interval: tuple[int, int]) -> bool:
        """Numbers perhaps given out before a loss of power are passed over, and the next window begins anew."""
        first, last = interval
        after = self._sector(last + 1)
        return after is not None and after[1] == 1 and last - first < SKIPPED_MAX

    def _message(self, seq: int, data: bytes, at: int) -> dict | None:
        channels = self.layouts.get(data[at + 8])
        if channels is None or 12 + 6 * len(channels) > self.stride:
            return None
        time_s, uncertainty_s, run, _, flags, fields = card_format.record(data, at, len(channels))
        values, units, bits = {}, {}, {}
        for index, (name, unit, exponent, _) in enumerate(channels):
            value, channel_flags = fields[2 * index : 2 * index + 2]
            if value != card_format.ABSENT:
                values[name] = (value, exponent)
                if unit:
                    units[name] = unit
            if channel_flags:
                bits[name] = channel_flags
        message = {"device": self.eui, "ring": self.ring, "seq": seq, "record_flags": flags}
        message.update(values=values, units=units, flags=bits, **self._time(time_s, uncertainty_s, run))
        return message

    def _time(self, time_s: int, uncertainty_s: int, run: int) -> dict:
        if uncertainty_s != TIME_UNKNOWN:
            return {"time_s": time_s, "uncertainty_s": uncertainty_s, "run": None, "run_s": None}
        anchor = self._anchors.get(run)
        known = (anchor[1] + time_s, anchor[2]) if anchor is not None else (None, None)
        return {"time_s": known[0], "uncertainty_s": known[1], "run": run, "run_s": time_s}
