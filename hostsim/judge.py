"""What really happened to each reading of one node, against what was promised.

Law: the judge sees what the world did (sectors that landed, radio, sensors, packets that arrived, clocks that were
set) and never asks the node what it believes; its decoders are its own.
"""

from hostsim import card_format, diary_format
from hostsim.invariants import Invariants
from hostsim.ledger import DELIVERED, DROPPED, NOT_SURE, Ledger
from hostsim.senml_read import SenmlError, reading
from hostsim.slots import Slots

AWAKE_S_MAX = 180  # a wake, the service window not counted
AWAKE_S_GRACE = 5
RESETS_MAX = 4  # watchdog resets in a row
BASE_UNCERTAINTY_S = 2
VOLATILE_CAPACITY = 4096


class Judge:
    """Judges one node. `settings` as tomllib reads them; times are ms since the start of the scenario."""

    def __init__(self, node: str, settings: dict, start_epoch_s: int, invariants: Invariants, tally):
        self.node = node
        self.tally = tally
        self._start_ms = start_epoch_s * 1000
        self._invariants = invariants
        clock = settings.get("time", {})
        self._drift_ppm_max = clock.get("drift_ppm_max", 100)
        self._awake_ms_max = 1000 * (
            settings.get("status", {}).get("service_s", 60) + AWAKE_S_MAX + AWAKE_S_GRACE
        )
        self._write_on_mv = settings.get("battery", {}).get("write_on_mv", 3300)
        self._secrets = _secrets(settings)
        self.slots = Slots(settings.get("sample_every_s", 600), start_epoch_s)
        self.ledgers: dict[int, Ledger] = {}
        self._window = b""
        self._sensed_ms = None
        self._safe = False  # this slot's reading is stored or held
        self._counting_from_ms = 0
        self._synced_ms = None
        self._unsure = []  # (ledger, seq) taken since the clock began to count, waiting for their bound
        self._held_newest = 0
        self._woke_ms = 0
        self._resets = 0
        self._retained = None

    def _broken(self, invariant: int, t_ms: int, fact: str) -> None:
        self._invariants.broken(invariant, self.node, t_ms, fact)

    # --- the wake ------------------------------------------------------------------------------------------------

    def wake_began(self, t_ms: int, retained) -> None:
        self._woke_ms = t_ms
        self._sensed_ms = None
        self._safe = False
        self._retained = retained

    def sensed(self, t_ms: int) -> None:
        self._sensed_ms = t_ms

    def radio_on(self, t_ms: int) -> None:
        if not self._safe:
            self._look_at_held(t_ms)
        if not self._safe and not self.slots.is_stored(t_ms):
            self._broken(3, t_ms, "the radio came on and no reading of this slot was stored or held")

    def wake_ended(self, t_ms: int, end: str, battery_mv: int) -> None:
        """end: "sleep", "reset" (watchdog) or anything else, which is what the node died of."""
        self._look_at_held(t_ms)
        if t_ms - self._woke_ms > self._awake_ms_max:
            self._broken(4, t_ms, f"a wake lasted {(t_ms - self._woke_ms) / 1000:.0f} s")
        if end == "reset":
            self._resets += 1
            if self._resets > RESETS_MAX:
                self._broken(4, t_ms, f"{self._resets} watchdog resets in a row")
        else:
            self._resets = 0
            if end != "sleep":
                self._broken(4, t_ms, f"a wake ended in {end}")
        excuse = "a reset" if end == "reset" else "the battery" if battery_mv < self._write_on_mv else None
        self.slots.wake_ended(t_ms, excuse)
        if diary_format.whole(self._retained):
            self.slots.node_counts(diary_format.missed(self._retained))

    # --- storing -------------------------------------------------------------------------------------------------

    def sector_written(self, t_ms: int, sector: int, data, sector_count: int) -> None:
        """A sector really landed on the card."""
        self._keep_secret(t_ms, data, "a card sector")
        found = card_format.data_sector(data)
        if found is None:
            layout = card_format.layout_sector(data)
            if layout is not None:
                ledger = self._ledger(layout[2], 2 * card_format.half_of(sector_count))
                ledger.layouts[layout[0]] = layout[6]
            return
        ring_id, seq, acked_to, stride, count = found
        ledger = self._ledger(ring_id, 2 * card_format.half_of(sector_count))
        at = 32 + (count - 1) * stride
        older = bytes(data[32:at])
        if older and not self._window.endswith(older):
            for index in range(count - 1):
                self._same_content(ledger, seq - count + 1 + index, data, 32 + index * stride, t_ms)
        self._window = bytes(data[32 : at + stride])
        if ledger.has(seq):
            self._same_content(ledger, seq, data, at, t_ms)
            return
        self._land(ledger, seq, data, at, acked_to, t_ms)

    def _ledger(self, ring_id: int, capacity: int, volatile: bool = False) -> Ledger:
        ledger = self.ledgers.get(ring_id)
        if ledger is None:
            ledger = self.ledgers[ring_id] = Ledger(ring_id, capacity, volatile)
            self._window = b""
        return ledger

    def _content(self, ledger: Ledger, data, at: int):
        layout = data[at + 8]
        channels = ledger.layouts.get(layout)
        if channels is None:
            return None, 0
        _, _, run, _, flags, fields = card_format.record(data, at, len(channels))
        return hash((flags, layout, fields)), run

    def _land(self, ledger: Ledger, seq: int, data, at: int, acked_to: int, t_ms: int) -> None:
        content, run = self._content(ledger, data, at)
        if content is None:
            self._broken(2, t_ms, f"reading {seq} has a layout that was never written")
            return
        if self._sensed_ms is None:
            self._broken(2, t_ms, f"reading {seq} was stored and no sensor had been read")
            return
        taken_ms = self._sensed_ms
        bound_s = NOT_SURE
        if self._synced_ms is not None:
            bound_s = BASE_UNCERTAINTY_S + self._drift_ppm_max * (taken_ms - self._synced_ms) / 1e9
        else:
            self._unsure.append((ledger, seq))
        ledger.land(seq, content, taken_ms, run, bound_s, acked_to)
        self._safe = True
        missed = self.slots.missed
        fact = self.slots.taken(taken_ms)
        if fact:
            self._broken(8, t_ms, fact)
        if self.slots.missed > missed:
            self.tally.missed(t_ms, self.slots.missed - missed)
        self.tally.stored(t_ms)

    def _same_content(self, ledger: Ledger, seq: int, data, at: int, t_ms: int) -> None:
        if ledger.has(seq) and self._content(ledger, data, at)[0] != ledger.content[seq % ledger.capacity]:
            self._broken(2, t_ms, f"reading {seq} was written a second time with another content")

    def _look_at_held(self, t_ms: int) -> None:
        memory = self._retained
        if not diary_format.whole(memory) or not diary_format.bits(memory) & diary_format.HOLDING:
            return
        area = diary_format.held(memory)
        if area is None:
            return
        ring_id, head, count, stride, records = area
        ledger = self._ledger(ring_id, VOLATILE_CAPACITY, volatile=True)
        ledger.layouts[0] = [None] * ((stride - 12) // 6)
        first = head - count + 1
        for seq in range(max(first, ledger.newest + 1), head + 1):
            self._land(ledger, seq, records, (seq - first) * stride, 0, t_ms)
        for seq in list(ledger.undelivered()):
            if seq < first:
                ledger.state[seq % ledger.capacity] |= DROPPED
                ledger.dropped += 1

    # --- time ----------------------------------------------------------------------------------------------------

    def clock_set(self, t_ms: int, epoch_s: int) -> None:
        """The RTC was set: from network time, or to where it counts from."""
        if abs(epoch_s * 1000 - self._start_ms - t_ms) > 86_400_000:
            self.clock_lost(t_ms)
            return
        if self._synced_ms is None:
            bound_s = BASE_UNCERTAINTY_S + self._drift_ppm_max * (t_ms - self._counting_from_ms) / 1e9
            for ledger, seq in self._unsure:
                ledger.bound_s[seq % ledger.capacity] = bound_s
            self._unsure.clear()
            self.slots.clock_known(t_ms)
        self._synced_ms = t_ms

    def clock_lost(self, t_ms: int) -> None:
        """The RTC counts from an arbitrary value from now on."""
        self._counting_from_ms = t_ms
        self._synced_ms = None
        self._unsure.clear()
        self.slots.clock_lost(t_ms)

    # --- delivery ------------------------------------------------------------------------------------------------

    def published(self, t_ms: int, kind: str, payload: bytes) -> None:
        """A packet of this node arrived at the broker; kind: the last part of its topic."""
        self._keep_secret(t_ms, payload, "a payload")
        if kind != "readings":
            return
        try:
            message = reading(payload)
        except SenmlError as error:
            self._broken(2, t_ms, f"a payload is not a reading: {error}")
            return
        seq = message["seq"]
        ledger = self.ledgers.get(int(message["ring"], 16))
        if ledger is None or not ledger.has(seq):
            self._broken(2, t_ms, f"reading {seq} of ring {message['ring']} was delivered and never stored")
            return
        place = seq % ledger.capacity
        if not self._is_content(ledger, place, message):
            self._broken(2, t_ms, f"reading {seq} was delivered with another content than it was stored with")
        self._judge_time(t_ms, ledger, place, seq, message)
        if ledger.state[place] & DELIVERED:
            ledger.duplicates += 1
            return
        ledger.state[place] |= DELIVERED
        ledger.delivered += 1
        self.tally.delivered(t_ms, t_ms - ledger.taken_ms[place])

    def _is_content(self, ledger: Ledger, place: int, message: dict) -> bool:
        values, flags = message["values"], message["flags"]
        if message["run"] is not None and message["run"] != ledger.run[place]:
            return False
        for layout, channels in self._layouts(ledger):
            fields = []
            for channel in channels:
                written = values.get(channel[0])
                if written is None:
                    fields.append(card_format.ABSENT)
                else:
                    digits, exponent = written
                    fields.append(digits * 10 ** (exponent - channel[2]) if exponent != channel[2] else digits)
                fields.append(flags.get(channel[0], 0))
            if hash((message["record_flags"], layout, tuple(fields))) == ledger.content[place]:
                return True
        return False

    def _layouts(self, ledger: Ledger):
        if not ledger.volatile:
            return ledger.layouts.items()
        # retained memory keeps no names: they are those of the layouts that the card has seen
        count = len(ledger.layouts[0])
        return [
            (0, channels)
            for other in self.ledgers.values()
            if not other.volatile
            for channels in other.layouts.values()
            if len(channels) == count
        ]

    def _judge_time(self, t_ms: int, ledger: Ledger, place: int, seq: int, message: dict) -> None:
        stated_s, uncertainty_s = message["time_s"], message["uncertainty_s"]
        if stated_s is None:
            return
        before_s, before_uncertainty_s = ledger.stated_s[place], ledger.stated_uncertainty_s[place]
        if before_s >= 0 and (
            uncertainty_s > before_uncertainty_s or abs(stated_s - before_s) > before_uncertainty_s
        ):
            self._broken(2, t_ms, f"reading {seq} was delivered again with a wider or another time")
        ledger.stated_s[place], ledger.stated_uncertainty_s[place] = stated_s, uncertainty_s
        off_s = abs(stated_s * 1000 - self._start_ms - ledger.taken_ms[place]) / 1000.0
        self.tally.time(uncertainty_s, off_s)
        if off_s > uncertainty_s:
            self._broken(5, t_ms, f"the time of reading {seq} is {off_s:.1f} s off and states {uncertainty_s} s")
        bound_s = ledger.bound_s[place]
        if bound_s != NOT_SURE and uncertainty_s > bound_s:
            self._broken(5, t_ms, f"reading {seq} states {uncertainty_s} s where {bound_s:.1f} s is the most")

    # --- secrets -------------------------------------------------------------------------------------------------

    def _keep_secret(self, t_ms: int, data, where: str) -> None:
        for secret in self._secrets:
            if secret in data:
                self._broken(7, t_ms, f"a password stands in {where}")

    def logged(self, t_ms: int, line: str) -> None:
        self._keep_secret(t_ms, line.encode(), "the log")

    # --- the end -------------------------------------------------------------------------------------------------

    def finish(self, t_ms: int, peek, sector_count: int, excuse: str | None) -> dict:
        """The readings' counts at the end. peek(sector) -> bytes or None reads the card; excuse: why the node is dead."""
        fact = self.slots.finish(t_ms, excuse)
        if fact:
            self._broken(8, t_ms, fact)
        count = dict.fromkeys(
            ("stored", "held", "unstored", "delivered", "duplicates", "overwritten", "waiting", "lost"), 0
        )
        for ledger in self.ledgers.values():
            waiting = lost = 0
            acked_to = self._acked_to(ledger)
            held_first = self._held_first(ledger)
            for seq in ledger.undelivered():
                if ledger.volatile:
                    safe = held_first is not None and seq >= held_first
                else:
                    safe = seq > acked_to and self._on_card(ledger, seq, peek, sector_count)
                if safe:
                    waiting += 1
                else:
                    lost += 1
                    self._broken(
                        1, t_ms, f"reading {seq} of ring {ledger.ring_id:08x} was never delivered and does not wait"
                    )
            lost += ledger.lost_unseen
            if ledger.lost_unseen:
                self._broken(1, t_ms, f"{ledger.lost_unseen} readings were given up as accepted and never delivered")
            count["stored"] += ledger.stored - ledger.dropped
            count["held"] += ledger.stored - ledger.dropped if ledger.volatile else 0
            count["unstored"] += ledger.dropped
            count["delivered"] += ledger.delivered
            count["duplicates"] += ledger.duplicates
            count["overwritten"] += ledger.overwritten
            count["waiting"] += waiting
            count["lost"] += lost
        return count

    def _acked_to(self, ledger: Ledger) -> int:
        """The newest seq up to which the node holds everything for accepted, by what it keeps for itself."""
        if self._retained is not None and diary_format.whole(self._retained):
            ring_id, _, acked_to = diary_format.ring(self._retained)
            if ring_id == ledger.ring_id:
                return acked_to
        return 0

    def _held_first(self, ledger: Ledger):
        if not ledger.volatile or self._retained is None:
            return None
        area = diary_format.held(self._retained)
        return area[1] - area[2] + 1 if area is not None and area[0] == ledger.ring_id else None

    def _on_card(self, ledger: Ledger, seq: int, peek, sector_count: int) -> bool:
        half = card_format.half_of(sector_count)
        for later in range(seq, min(seq + 40, ledger.newest + 1)):
            data = peek(card_format.place_of(later, half))
            found = card_format.data_sector(data) if data is not None else None
            if found is None or found[0] != ledger.ring_id or found[1] != later or later - found[4] >= seq:
                continue
            at = 32 + (found[4] - 1 - (later - seq)) * found[3]
            if self._content(ledger, data, at)[0] == ledger.content[seq % ledger.capacity]:
                return True
        return False


def _secrets(settings: dict) -> list[bytes]:
    found = [network.get("password", "") for network in settings.get("network", [])]
    found.append(settings.get("broker", {}).get("password", ""))
    return [text.encode() for text in found if text]

