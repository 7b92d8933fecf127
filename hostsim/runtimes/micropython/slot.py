"""The card's slot, as machine.SDCard asks for it. Law: a card answers only with its supply, in its slot, and begun.

A card that was pulled or lost its supply has to be begun again.
"""

import errno

from hostsim.card import SECTOR, CardFault
from hostsim.runtimes.micropython.machine import Machine


class Slot:
    def __init__(self, machine: Machine):
        self._machine = machine
        self._card = machine.chip.card
        self._begun = None

    def _fed(self) -> tuple[int | None, int]:
        """What stays the same as long as the card has its supply and is not pulled."""
        node = self._machine.node
        return self._machine.rails.since_ms(node.wiring.card_rail), self._card.seating(node.now_ms / 1000.0)

    def _touch(self, ms: int) -> None:
        """Spend the time of an operation. Raises OSError where the card is not what was begun."""
        machine = self._machine
        machine.spend("storing", ms)
        now = self._fed()
        if now[0] is None:
            raise OSError(errno.EIO)
        try:
            self._card.check(machine.node.now_ms / 1000.0)
        except CardFault:
            machine.judge.card_failed()
            raise OSError(errno.EIO) from None
        if now != self._begun:
            if self._begun is not None and now[1] != self._begun[1]:
                machine.judge.card_failed()
            raise OSError(errno.EIO)

    def open(self, a, b, data):
        self._begun = None

    def begin(self, a, b, data):
        self._begun = self._fed()
        try:
            self._touch(self._machine.node.board.durations["card_mount"])
        except OSError:
            self._begun = None
            raise OSError(errno.ENODEV) from None
        self._card.begun()

    def count(self, a, b, data):
        return self._card.count

    def read(self, a, b, data):
        count = b // SECTOR
        self._touch(count * self._machine.node.board.durations["card_read"])
        return self._card.read(a, count)

    def write(self, a, b, data):
        for index in range(len(data) // SECTOR):
            self._touch(self._machine.node.board.durations["card_write"])
            self._card.write(a + index, data[index * SECTOR : (index + 1) * SECTOR])

    def close(self, a, b, data):
        self._begun = None
