"""What lands on a card. Law: every record that lands is a new reading, a copy of one, or a lie.

A sector of the ring stands where its number belongs; it repeats only what was stored before, as it was.
"""

from hostsim import card_format
from hostsim.ledger import Ledger

# numbers that may be passed over, once the card failed (docs/formats.md, section 6), and so many more where a second
# unit may have had what was stored since; any in a lap where one unit of a card holds both copies
PASSED_MAX = 64
PASSED_MORE_MAX = 128
UNIT_SECTORS = 8192


class SectorWatch:
    """Looks at each sector of one node's card that is really written.

    land(ledger, seq, record, acked_to, t_ms) is told each new reading; broken(invariant, t_ms, fact) what is wrong.
    """

    def __init__(self, ledgers: dict[int, Ledger], land, broken):
        self._ledgers = ledgers
        self._land = land
        self._broken = broken
        self._window = b""
        self._window_end = (0, 0)  # ring id and seq of the newest record in _window
        self._card_failed = False  # since the newest reading landed
        self._units_gone = 0

    def card_failed(self) -> None:
        """What the card lost may have had the newest reading, whose number must not be used twice."""
        self._card_failed = True

    def unit_gone(self) -> None:
        """The card lost a unit of 4 MiB."""
        self._units_gone += 1

    def written(self, t_ms: int, sector: int, data, sector_count: int) -> None:
        """A sector really landed on the card."""
        found = card_format.data_sector(data)
        half = card_format.half_of(sector_count)
        if found is None:
            layout = card_format.layout_sector(data)
            if layout is not None:
                self._layout_written(t_ms, layout, 2 * half)
            return
        ring_id, seq, acked_to, stride, count = found
        ledger = self._ledgers.get(ring_id)
        if ledger is None or ledger.volatile or not ledger.fits(2 * half, stride):
            self._broken(2, t_ms, f"reading {seq} belongs to a ring that was never made like this")
            return
        if sector != card_format.place_of(seq, half):
            self._broken(1, t_ms, f"reading {seq} was written where nobody will look for it, in sector {sector}")
        end = 32 + count * stride
        window = bytes(data[32:end])
        if count > 1 and not (self._window_end == (ring_id, seq - 1) and self._window.endswith(window[:-stride])):
            for index in range(count - 1):
                self._check_copy(ledger, seq - count + 1 + index, data, 32 + index * stride, t_ms)
        self._window = window
        self._window_end = (ring_id, seq)
        record = window[-stride:]
        newest = ledger.newest
        if seq > newest:
            if seq > newest + 1 and not self._may_pass(seq - newest - 1, half):
                self._broken(1, t_ms, f"reading {seq} follows reading {newest}: a number was left out")
            self._card_failed = False
            self._land(ledger, seq, record, acked_to, t_ms)
        elif ledger.has(seq):
            self._same_content(ledger, seq, record, t_ms)
        else:
            self._broken(2, t_ms, f"reading {seq} was written after reading {newest}")

    def _may_pass(self, numbers: int, half: int) -> bool:
        if not self._card_failed:
            return False
        if half + card_format.LAYOUT_SECTORS < UNIT_SECTORS:
            return numbers <= 2 * half
        return numbers <= PASSED_MAX + (PASSED_MORE_MAX if self._units_gone > 1 else 0)

    def _layout_written(self, t_ms: int, layout, capacity: int) -> None:
        slot, stride, ring_id, _, _, _, channels = layout
        ledger = self._ledgers.get(ring_id)
        if 12 + 6 * len(channels) > stride:
            self._broken(2, t_ms, f"layout {slot} has more channels than a record has room for")
            return
        if ledger is None:
            ledger = self._ledgers[ring_id] = Ledger(ring_id, capacity, stride)
        if ledger.layouts.setdefault(slot, channels) != channels:
            self._broken(2, t_ms, f"layout {slot} was changed, and with it what older readings mean")

    def _check_copy(self, ledger: Ledger, seq: int, data, at: int, t_ms: int) -> None:
        if ledger.has(seq):
            self._same_content(ledger, seq, bytes(data[at : at + ledger.room]), t_ms)
        elif seq < 1 or seq > ledger.newest - ledger.capacity:
            self._broken(2, t_ms, f"a sector repeats reading {seq}, which was never stored")

    def _same_content(self, ledger: Ledger, seq: int, record: bytes, t_ms: int) -> None:
        if ledger.record(seq, len(record)) != record:
            self._broken(2, t_ms, f"reading {seq} was written a second time with another content")
