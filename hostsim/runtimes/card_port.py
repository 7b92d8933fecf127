"""The card port of the fast runtime. Law: a card answers only with its supply, in its slot and mounted since then."""

from torpor.errors import CardError

from hostsim.card import CardFault
from hostsim.node import Node
from hostsim.wiring import Rails


class RingFile:
    """An open ring file: reads and writes cost time; a card that was pulled or lost its supply fails for good."""

    def __init__(self, port: "CardPort", name: str, powered):
        self._touch = port.touch
        self._read_ms = port.read_ms
        self._write_ms = port.write_ms
        self._card = port.card
        self._powered = powered
        self.sector_count = port.card.sector_count(name)

    def read(self, sector: int, buffer) -> None:
        self._touch(self._read_ms, self._powered)
        try:
            self._card.read(sector, buffer)
        except CardFault as fault:
            raise CardError(str(fault)) from None

    def write(self, sector: int, buffer) -> None:
        self._touch(self._write_ms, self._powered)
        try:
            self._card.write(sector, buffer)
        except CardFault as fault:
            raise CardError(str(fault)) from None


class CardPort:
    def __init__(self, node: Node, rails: Rails, judge):
        self._node = node
        self._rails = rails
        self._judge = judge
        self.card = node.card
        self.read_ms = node.durations["card_read"]
        self.write_ms = node.durations["card_write"]
        self._mounted = None
        self._proved = None  # what `touch` last found to be so,
        self._proved_changes = -1  # and the rails' changes until then

    def _powered(self) -> tuple[int | None, int]:
        """What stays the same as long as the card has its supply and is not pulled."""
        rail = self._node.wiring.card_rail
        return self._rails.since_ms(rail), self.card.seating(self._node.now_ms / 1000.0)

    def touch(self, ms: int, powered) -> None:
        """Spend the time of an operation. Raises CardError where the card is not what `powered` said any more."""
        self._node.spend("storing", ms)
        changes = self._rails.changes
        if self._proved_changes != changes or self._proved is not powered or self.card.may_be_pulled:
            self._look(powered)
            self._proved, self._proved_changes = powered, changes

    def _look(self, powered) -> None:
        now = self._powered()
        if now[0] is None:
            raise CardError("the card has no supply")
        try:
            self.card.check(self._node.now_ms / 1000.0)
        except CardFault as fault:
            self._judge.card_failed()
            raise CardError(str(fault)) from None
        if now != powered:
            if powered is not None and now[1] != powered[1]:
                self._judge.card_failed()
            raise CardError("the card has to be mounted again")

    def rings(self) -> list[str]:
        powered = self._powered()
        self.touch(self._node.durations["card_mount"], powered)
        self._mounted = powered
        return self.card.names()

    def _open(self, name: str) -> RingFile:
        try:
            return RingFile(self, name, self._mounted)
        except CardFault as fault:
            raise CardError(str(fault)) from None

    def open(self, name: str) -> RingFile:
        # two sectors of the directory
        self.touch(2 * self.read_ms, self._mounted)
        return self._open(name)

    def create(self, name: str, sector_count: int) -> RingFile:
        # clusters of 32 KiB: 11 sector writes for 4 MiB were measured
        self.touch(self.write_ms * 11 * max(1, sector_count // 8192), self._mounted)
        try:
            self.card.create(name, sector_count)
        except CardFault as fault:
            raise CardError(str(fault)) from None
        return self._open(name)

    def keep(self, name: str) -> None:
        # two sectors of the directory
        self.touch(2 * self.write_ms, self._mounted)
        try:
            self.card.keep(name)
        except CardFault as fault:
            raise CardError(str(fault)) from None
