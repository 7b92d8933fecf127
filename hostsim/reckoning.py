"""What became of each reading in the end. Law: stored = delivered + waiting + overwritten + destroyed + lost.

`held` is a part of `stored`; what was dropped from retained memory is `unstored` and in neither.
"""

from hostsim import card_format
from hostsim.ledger import Ledger

COUNTS = ("stored", "held", "unstored", "delivered", "duplicates", "overwritten", "waiting", "destroyed", "lost")


def reckon(ledgers, acked_to, peek, sector_count: int, broken) -> dict[str, int]:
    """The counts over all rings of a node.

    acked_to(ledger): up to where the node holds everything for accepted; peek(sector) -> bytes or None reads the
    card; broken(fact) is told of each lost reading.
    """
    count = dict.fromkeys(COUNTS, 0)
    for ledger in ledgers:
        waiting, lost = _rest(ledger, acked_to(ledger), peek, sector_count, broken)
        if ledger.lost_unseen:
            broken(f"{ledger.lost_unseen} readings were given up as accepted and never delivered")
        kept = ledger.stored - ledger.dropped
        count["stored"] += kept
        count["held"] += kept if ledger.volatile else 0
        count["unstored"] += ledger.dropped
        count["delivered"] += ledger.delivered
        count["duplicates"] += ledger.duplicates
        count["overwritten"] += ledger.overwritten
        count["waiting"] += waiting
        count["destroyed"] += ledger.destroyed
        count["lost"] += lost + ledger.lost_unseen
    return count


def _rest(ledger: Ledger, acked_to: int, peek, sector_count: int, broken) -> tuple[int, int]:
    """(waiting, lost) of the readings that were never delivered and did not leave the ring."""
    waiting = lost = 0
    for seq in ledger.undelivered():
        # what a broker acknowledged and forgot waits to be asked for
        waits = seq > acked_to or ledger.is_forgotten(seq)
        # what is held and was not dropped is in retained memory still
        if ledger.volatile or (waits and on_card(ledger, seq, peek, sector_count)):
            waiting += 1
        else:
            lost += 1
            broken(f"reading {seq} of ring {ledger.ring_id:08x} was never delivered and does not wait")
    return waiting, lost


def dated_runs(ledger: Ledger, peek, sector_count: int) -> set[int]:
    """The runs of which some whole sector says when they began: what was read in them has its time by that."""
    half = card_format.half_of(sector_count)
    runs = set()
    for seq in range(max(1, ledger.newest - ledger.capacity + 1), ledger.newest + 1):
        data = peek(card_format.place_of(seq, half))
        found = card_format.data_sector(data) if data is not None else None
        if found is not None and found[:2] == (ledger.ring_id, seq):
            runs.add(card_format.dated_run(data))
    return runs - {None}


def on_card(ledger: Ledger, seq: int, peek, sector_count: int) -> bool:
    """True when some whole sector that has the reading, as it was stored, is where it belongs."""
    half = card_format.half_of(sector_count)
    for later in range(seq, min(seq + card_format.WINDOW_MAX, ledger.newest + 1)):
        data = peek(card_format.place_of(later, half))
        found = card_format.data_sector(data) if data is not None else None
        if found is None or found[0] != ledger.ring_id or found[1] != later or later - found[4] >= seq:
            continue
        at = 32 + (found[4] - 1 - (later - seq)) * found[3]
        if ledger.record(seq, found[3]) == data[at : at + found[3]]:
            return True
    return False
