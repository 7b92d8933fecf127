"""What a collector asks of the nodes after a broker has forgotten something. Law: it asks for what it has not had.

It stands at the desk of a simulated broker that is killed (docs/formats.md, section 13); without such a broker
nothing goes missing behind a PUBACK, and there is nothing to ask for. A retained message that was told before the
broker died is told again.
"""

import json
import re

INTERVALS_MAX = 8
_HEAD = re.compile(rb'"n":"seq","v":(\d{1,10})\},\{"n":"ring","vs":"([0-9a-f]{8})"')


class Shelf:
    """What has come of one ring: `last` and, sorted, the intervals up to there that have not."""

    def __init__(self):
        self.last = self.count = 0
        self.missing: list[list[int]] = []

    def put(self, seq: int) -> bool:
        """False: it was there."""
        if seq > self.last:
            if seq > self.last + 1:
                self.missing.append([self.last + 1, seq - 1])
            self.last = seq
        else:
            place = next((at for at, (first, last) in enumerate(self.missing) if first <= seq <= last), None)
            if place is None:
                return False
            first, last = self.missing[place]
            self.missing[place : place + 1] = [[a, b] for a, b in ((first, seq - 1), (seq + 1, last)) if a <= b]
        self.count += 1
        return True


class Asker:
    """keep(topic, payload) stores a retained message at the broker."""

    def __init__(self, keep):
        self._keep = keep
        self._shelves: dict[tuple[str, str], Shelf] = {}  # by node and ring
        self._told: dict[str, bytes] = {}
        self._count = 0

    def arrived(self, node: str, payload: bytes) -> None:
        """A reading of this node is in the store."""
        found = _HEAD.search(payload)
        if found is None:
            return
        ring = found[2].decode()
        shelf = self._shelves.setdefault((node, ring), Shelf())
        if not shelf.put(int(found[1])):
            return
        # the id grows with what the store holds
        self._count += 1
        if shelf.missing or node in self._told:
            missing = shelf.missing[:INTERVALS_MAX]
            body = {"id": self._count, "ring": ring, "last": shelf.last, "missing": missing}
            self._told[node] = json.dumps(body, separators=(",", ":")).encode()
            self._keep(f"torpor/{node}/have", self._told[node])

    def tell_again(self) -> None:
        for node, payload in self._told.items():
            self._keep(f"torpor/{node}/have", payload)
