"""What really happened to each reading of one node, against what was promised.

Law: the judge sees what the world did (sectors that landed, radio, sensors, packets that arrived, clocks that were
set) and never asks the node what it believes; its decoders are its own.
"""

from hostsim import card_format, diary_format
from hostsim.arrivals import Arrivals, layouts
from hostsim.clock_book import ClockBook
from hostsim.held_watch import HeldWatch
from hostsim.invariants import Invariants
from hostsim.ledger import NOT_SURE, Ledger
from hostsim.measured import invented
from hostsim.own_counts import OwnCounts
from hostsim.reckoning import dated_runs, on_card, reckon
from hostsim.rests import CUTS, Rests
from hostsim.secrecy import secrets
from hostsim.sector_watch import SectorWatch
from hostsim.slots import Slots

AWAKE_S_MAX = 180  # a wake, the service window not counted
AWAKE_S_GRACE = 5
DIARY_CRC = slice(132, 136)
RESETS_MAX = 4  # watchdog resets in a row
DAY_MS = 86_400_000


class Judge:
    """Judges one node. `settings` as tomllib reads them; times are ms since the start of the scenario.

    `arrivals.device` and `arrivals.prompt` may be set before the first wake.
    """

    def __init__(self, node: str, settings: dict, start_epoch_s: int, invariants: Invariants, tally):
        self.node = node
        self.tally = tally
        self._start_ms = start_epoch_s * 1000
        self._invariants = invariants
        self._service_ms = 1000 * _setting(settings, "status", "service_s", 60)
        self._write_off_mv = _setting(settings, "battery", "write_off_mv", 3200)
        self._write_on_mv = _setting(settings, "battery", "write_on_mv", 3300)
        # one character a byte: a text is searched faster than bytes are
        self._secrets = [secret.decode("latin-1") for secret in secrets(settings)]
        self.ledgers: dict[int, Ledger] = {}
        self._clock = ClockBook(_setting(settings, "time", "drift_ppm_max", 100))
        self.slots = Slots(settings.get("sample_every_s", 600), start_epoch_s, self._clock.drift_s)
        self.arrivals = Arrivals(start_epoch_s, self.ledgers, self._clock, tally, self._broken)
        self._sectors = SectorWatch(self.ledgers, self._land, self._broken)
        self._held = HeldWatch(self.ledgers, self._land_held, self._dropped, self._dropped_unseen, self._held_wrongly)
        self._unseen = 0  # readings that no memory took at all
        self._t_ms = 0
        self._woke_ms = 0
        self._awake_ms_max = 0
        self._sensed_ms = None
        self._measured: list[float] | None = []
        self._safe = False  # this slot's reading is stored or held
        self._card_failed = False
        self._weak = False
        self._resets = 0
        self._retained = b""
        self._without_settings = self._other_settings = False
        self._rests = Rests()
        self._own = OwnCounts()
        self._memory_gone = self._doubtful = False  # what the node knows of its clock is settled by its next reading
        self._began_ms = None  # the wake in which the node began to count anew, as far as that is certain
        self._failed_since = False  # the card, since the memory was lost
        self._lost_with = b""  # what the diary's check sum was when the clock was last lost
        self._stated_ms = None  # when the clock was set, by the newest sector
        self._run = None  # of the newest reading, while the node can know it
        self._elsewhere = 0  # readings since the last one on the card
        self._missed_on_card = 0  # slots up to that one

    def _broken(self, invariant: int, t_ms: int, fact: str) -> None:
        for secret in self._secrets:
            fact = fact.replace(secret.encode("latin-1").decode(), "***")
        self._invariants.broken(invariant, self.node, t_ms, fact)

    # --- the wake ------------------------------------------------------------------------------------------------

    def wake_began(self, t_ms: int, retained, person: bool = True, without_settings: bool = False) -> None:
        """retained: the memory itself, looked into at the end of the wake. person: a service window may follow.

        without_settings: there are none that the node could have known.
        """
        self._woke_ms = t_ms
        if without_settings or self._without_settings:
            # settings of last resort name no rail of the card, and other channels than before and after
            self._held.channels_change()
        self._other_settings = without_settings or self._without_settings
        self._without_settings = without_settings
        self.slots.wake_began(t_ms, without_settings)
        self._awake_ms_max = 1000 * (AWAKE_S_MAX + AWAKE_S_GRACE) + (self._service_ms if person else 0)
        self._sensed_ms = None
        self._measured = []
        self._safe = False
        self._card_failed = False
        self._retained = retained
        self._own.wake_began(self._gone())

    def sensed(self, t_ms: int, value: float | None = None) -> None:
        """A sensor was read. value: what it gave, in the unit of its channel; None: not known to the world."""
        self._sensed_ms = t_ms
        if value is None:
            self._measured = None
        elif self._measured is not None:
            self._measured.append(value)

    def asked(self, t_ms: int) -> None:
        """A sensor is asked for, and perhaps not there."""
        self._sensed_ms = t_ms

    def card_failed(self) -> None:
        """The card did not do what the node asked, and the node is not to blame."""
        self._card_failed = self._failed_since = True
        self._sectors.card_failed()

    def radio_on(self, t_ms: int) -> None:
        if not self._safe:
            self._look_at_held(t_ms)
        if not self._safe and not self.slots.is_stored():
            self._broken(3, t_ms, "the radio came on and no reading of this slot was stored or held")

    def wake_ended(self, t_ms: int, end: str, battery_mv: int) -> None:
        """end: "sleep", "reset" (watchdog), one of rests.CUTS, or anything else, which is what the node died of."""
        self._look_at_held(t_ms)
        if t_ms - self._woke_ms > self._awake_ms_max:
            self._broken(4, t_ms, f"a wake lasted {(t_ms - self._woke_ms) / 1000:.0f} s")
        if end == "reset":
            self._resets += 1
            if self._resets > RESETS_MAX:
                self._broken(4, t_ms, f"{self._resets} watchdog resets in a row")
        else:
            self._resets = 0
            if end != "sleep" and end not in CUTS:
                self._keep_secret(t_ms, end.encode(), "an exception")
                self._broken(4, t_ms, f"a wake ended in {end}")
        # as the settings have it: weak below the one, until it reaches the other
        self._weak = battery_mv < (self._write_on_mv if self._weak else self._write_off_mv)
        excuse = end if end in CUTS else "a reset" if end == "reset" else "the battery" if self._weak else None
        self.slots.wake_ended(t_ms, excuse, self._rests.after_ms(end))
        if end in CUTS:
            self._cut_short()
        elif self._doubtful and self._began_ms is None and not self._weak and diary_format.whole(self._retained):
            # one that was too weak to look at its card left that to the next wake
            self._began_ms = self._woke_ms
        if diary_format.whole(self._retained):
            counters = diary_format.counts(self._retained)
            if self._own.show(counters):
                self.slots.node_counts(counters[0])
            if self.arrivals.prompt:
                ring_id, _, acked_to = diary_format.ring(self._retained)
                self._check_accepted(ring_id, acked_to, t_ms)

    def _gone(self) -> tuple[int, int]:
        """(held readings dropped, readings overwritten) so far."""
        ledgers = self.ledgers.values()
        dropped = sum([ledger.dropped for ledger in ledgers]) + self._unseen
        return dropped, sum([ledger.replaced_waiting for ledger in ledgers])

    def _cut_short(self) -> None:
        """What the node counted in this wake may be forgotten, and with it the run that it began."""
        self._own.cut_short(self._gone())
        self.slots.cut_short()
        if bytes(self._retained[DIARY_CRC]) == self._lost_with or not diary_format.whole(self._retained):
            # the diary does not have it
            self._doubtful = True
            self._began_ms = None

    def memory_lost(self) -> None:
        """What the node kept in retained memory is gone, after a wake or in its sleep."""
        self._own.memory_lost(self._held.memory_lost())
        self.slots.memory_lost(self._elsewhere, self.slots.missed - self._missed_on_card)
        self._clock.memory_lost(self._stated_ms)
        self._run = None
        self._memory_gone = self._doubtful = True
        self._began_ms = None
        self._failed_since = False

    def _settle_doubt(self, record: bytes) -> None:
        """The reading states whether the node could go by its clock, or has begun to count anew in this wake."""
        if record[4:6] != b"\xff\xff":
            if self._clock.is_out_of_sight():
                self._clock.seen_again()
                self.slots.clock_known(self._woke_ms)
        elif self._doubtful:
            self._count_anew(self._woke_ms if self._began_ms is None else self._began_ms, False)
        self._memory_gone = self._doubtful = False
        self._began_ms = None

    def _check_accepted(self, ring_id: int, acked_to: int, t_ms: int) -> None:
        ledger = self.ledgers.get(ring_id)
        wrong = ledger.wrongly_accepted(acked_to) if ledger is not None else None
        if wrong is not None:
            self._broken(1, t_ms, f"reading {wrong} counts as accepted, up to {acked_to}, and has never arrived")

    # --- storing -------------------------------------------------------------------------------------------------

    def sector_written(self, t_ms: int, sector: int, data, sector_count: int) -> None:
        """A sector really landed on the card."""
        self._keep_secret(t_ms, data, "a card sector")
        self._sectors.written(t_ms, sector, data, sector_count)

    def sectors_gone(self, t_ms: int, destroy, peek, sector_count: int) -> bool:
        """The card loses sectors: destroy() does it, peek(sector) reads it. True: no ring is left to be found.

        A reading is destroyed when it was there before and is not afterwards, in no sector. One that still is may
        have lost its time: where that was not known yet, other sectors say it, and a short run has few of them.
        """
        on_cards = [ledger for ledger in self.ledgers.values() if not ledger.volatile]
        dated = [dated_runs(ledger, peek, sector_count) for ledger in on_cards]
        before = [
            (ledger, seq)
            for ledger in on_cards
            for seq in ledger.undelivered()
            if on_card(ledger, seq, peek, sector_count)
        ]
        destroy()
        self._sectors.unit_gone()
        gone = [(ledger, seq) for ledger, seq in before if not on_card(ledger, seq, peek, sector_count)]
        for ledger, seq in gone:
            ledger.destroy(seq)
        if gone:
            self.tally.gone(t_ms, len(gone))
        for ledger, runs in zip(on_cards, dated, strict=True):
            newest_run = int.from_bytes(ledger.record(ledger.newest, 8)[6:], "little")
            for run in runs - dated_runs(ledger, peek, sector_count):
                kept = run == newest_run and not (self._memory_gone or self._doubtful)
                self._clock.anchors_gone(ledger, run, kept)
        second = card_format.LAYOUT_SECTORS + card_format.half_of(sector_count)
        layouts = [peek(sector) for sector in (0, second)]
        return not any(data is not None and card_format.layout_sector(data) for data in layouts)

    def _land(self, ledger: Ledger, seq: int, record: bytes, acked_to: int, t_ms: int) -> None:
        if record[8] not in ledger.layouts:
            self._broken(2, t_ms, f"reading {seq} has a layout that was never written")
            return
        taken_ms = self._sensed_ms
        if taken_ms is None:
            self._broken(2, t_ms, f"reading {seq} was stored and no sensor had been read")
            return
        self._check_measured(ledger, seq, record, t_ms)
        if self._memory_gone or self._doubtful or self._clock.is_out_of_sight():
            self._settle_doubt(record)
        if self._clock.is_count_in_doubt():
            # a node that counts anew says so by another run
            self._clock.settle_count(record[6:8] == self._run)
        self._run = record[6:8]
        newest = ledger.newest
        if ledger.taken_ms[newest % ledger.capacity] == taken_ms and ledger.has(newest):
            self._broken(8, t_ms, f"reading {seq} is the one before it once more")
        bound_s = self._clock.landed(ledger, seq, taken_ms)
        if self._without_settings:
            # the settings say how far the clock may drift
            bound_s = NOT_SURE
        if ledger.volatile:
            self._elsewhere += 1
        else:
            self._elsewhere, self._stated_ms = 0, self._clock.synced_ms
        gone = ledger.land(seq, record, taken_ms, bound_s, acked_to)
        if gone:
            self.tally.gone(t_ms, gone)
        self._safe = True
        self.tally.stored(t_ms)
        self._slot_taken(t_ms, taken_ms)
        if not ledger.volatile:
            self._missed_on_card = self.slots.missed

    def _slot_taken(self, t_ms: int, taken_ms: int) -> None:
        missed = self.slots.missed
        fact = self.slots.taken(taken_ms)
        if fact:
            self._broken(8, t_ms, fact)
        if self.slots.missed != missed:
            self.tally.missed(t_ms, self.slots.missed - missed)

    def _check_measured(self, ledger: Ledger, seq: int, record: bytes, t_ms: int) -> None:
        if self._measured is None:
            return
        wrong = "a channel"
        for channels in layouts(ledger, self.ledgers, record[8]):
            if channels[:1] == [None]:
                return  # nobody knows yet in which units they are
            wrong = invented(card_format.record(record, 0, len(channels))[5], channels, self._measured)
            if wrong is None:
                return
        self._broken(2, t_ms, f"reading {seq} was stored with a value that was not measured: {wrong}")

    # --- retained memory -----------------------------------------------------------------------------------------

    def _look_at_held(self, t_ms: int) -> None:
        self._t_ms = t_ms
        self._held.look(self._retained, self._card_failed or self._other_settings, self.arrivals.prompt)

    def _land_held(self, ledger: Ledger, seq: int, record: bytes) -> None:
        self._land(ledger, seq, record, 0, self._t_ms)

    def _dropped(self, count: int) -> None:
        if count:
            self.tally.gone(self._t_ms, count)

    def _dropped_unseen(self, count: int) -> None:
        self._unseen += count
        self._elsewhere += count
        if self._sensed_ms is not None:
            self._slot_taken(self._t_ms, self._sensed_ms)

    def _held_wrongly(self, fact: str) -> None:
        self._broken(8, self._t_ms, fact)

    # --- time and delivery ---------------------------------------------------------------------------------------

    def clock_set(self, t_ms: int, epoch_s: int) -> None:
        """The RTC was set: from network time, or to where it counts from."""
        if abs(epoch_s * 1000 - self._start_ms - t_ms) > DAY_MS:
            self.clock_lost(t_ms)
            return
        self.slots.clock_corrected(t_ms)
        if self._clock.set(t_ms):
            self.slots.clock_known(t_ms)

    def clock_jumped(self, by_s: int) -> None:
        """The RTC shows another time all at once, later or earlier by so much."""
        self._clock.jumped(abs(by_s))
        self.slots.clock_jumped(abs(by_s))

    def clock_lost(self, t_ms: int) -> None:
        """The RTC counts from an arbitrary value from now on."""
        self._count_anew(t_ms, True)

    def clock_out_of_sight(self, t_ms: int) -> None:
        """What the node counts by from now on has nothing to do with before: its clock is out of reach, or back."""
        self._count_anew(t_ms, False)

    def _count_anew(self, t_ms: int, reset: bool) -> None:
        """reset: as ClockBook.lost has it."""
        if self._memory_gone and (self._failed_since or self._stated_ms is None):
            self.slots.blind()
        self._doubtful = False
        self._lost_with = bytes(self._retained[DIARY_CRC])
        self._clock.lost(t_ms, reset)
        self.slots.clock_lost(t_ms)

    def published(self, t_ms: int, kind: str, payload: bytes, time_offered=None, forgotten: bool = False) -> None:
        """A packet of this node arrived at the broker; kind: last part of its topic; the rest: see Arrivals."""
        self._keep_secret(t_ms, payload, "a payload")
        if kind == "readings":
            self.arrivals.published(t_ms, payload, time_offered, forgotten)

    def logged(self, t_ms: int, line: str) -> None:
        if not line.isascii():
            line = line.encode().decode("latin-1")
        self._keep_text_secret(t_ms, line, "the log")

    def _keep_secret(self, t_ms: int, data, where: str) -> None:
        self._keep_text_secret(t_ms, data.decode("latin-1"), where)

    def _keep_text_secret(self, t_ms: int, text: str, where: str) -> None:
        for secret in self._secrets:
            if secret in text:
                self._broken(7, t_ms, f"a password stands in {where}")

    # --- the end -------------------------------------------------------------------------------------------------

    def finish(self, t_ms: int, peek, sector_count: int, excuse: str | None) -> dict:
        """The counts of readings. peek(sector) -> bytes or None reads the card; excuse: why the node is dead."""
        self._t_ms = t_ms
        self._held.look(self._retained, True, True)
        fact = self.slots.finish(t_ms, excuse)
        if fact:
            self._broken(8, t_ms, fact)
        count = reckon(
            self.ledgers.values(), self._acked_to, peek, sector_count, lambda fact: self._broken(1, t_ms, fact)
        )
        count["unstored"] += self._unseen
        self._check_counters(t_ms, count["unstored"])
        return count

    def _check_counters(self, t_ms: int, unstored: int) -> None:
        held = [ledger for ledger in self.ledgers.values() if ledger.volatile]
        fact = self._own.wrong_unstored(unstored, sum(ledger.delivered + ledger.destroyed for ledger in held))
        if fact:
            self._broken(8, t_ms, fact)
        fact = self._own.wrong_overwritten(sum(ledger.replaced_waiting for ledger in self.ledgers.values()))
        if fact:
            self._broken(1, t_ms, fact)

    def _acked_to(self, ledger: Ledger) -> int:
        """The newest seq up to which the node holds everything for accepted, by what it keeps for itself."""
        if diary_format.whole(self._retained):
            ring_id, _, acked_to = diary_format.ring(self._retained)
            if ring_id == ledger.ring_id:
                return acked_to
        return ledger.acked_to


def _setting(settings: dict, section: str, key: str, default: int) -> int:
    table = settings.get(section)
    value = table.get(key, default) if isinstance(table, dict) else default
    return value if isinstance(value, int) else default
