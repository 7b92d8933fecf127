"""Faults in a board's wires and its card. Law: the part is what a soldering iron or a bad card makes of it.

Each takes the wires (hostsim/runtimes/bring_up.py, Wires) of one board that has its power.
"""

import errno
from collections.abc import Callable

from hostsim.card import SECTOR, CardFault
from hostsim.devices.part import Part

TEMPERATURE_ADDRESS = 0x44
CARD_RAIL = "card"


def dead_rail(name: str):
    def late(wires) -> None:
        switch = wires.rails.switch

        def switched(rail: str, on: bool, now_ms: int) -> None:
            # the switch obeys, and nothing comes out of it
            switch(rail, on and rail != name, now_ms)

        wires.rails.switch = switched

    return late


def held(wires) -> None:
    for bus in wires.buses.values():
        bus.held_low = 1 << 30


def unpulled(wires) -> None:
    for bus in wires.buses.values():
        bus.open, bus.scan = _low, _timed_out


def _low():
    raise RuntimeError("No pull up found on SDA or SCL; check your wiring")


def _timed_out():
    raise OSError(errno.ETIMEDOUT, "a line is held low")


def swapped(wires) -> None:
    for bus in wires.buses.values():
        bus.absent.update(range(128))


def crowded(wires) -> None:
    for bus in wires.buses.values():
        bus.scan = lambda: list(range(8, 120))


def bus_fault(name: str, address: int):
    def late(wires) -> None:
        for bus in wires.buses.values():
            getattr(bus, name).add(address)

    return late


class _Stranger(Part):
    """It acknowledges, and that is all."""

    def write(self, data) -> None:
        pass


def elsewhere(wires) -> None:
    """A strap that is soldered the other way: the part has the next address."""
    for bus in wires.buses.values():
        bus.absent.add(TEMPERATURE_ADDRESS)
        bus.attach(TEMPERATURE_ADDRESS + 1, _Stranger(lambda: wires.node.now_ms))


def pressed(wires) -> None:
    wires.pressed = True


def mistrusted(wires) -> None:
    wires.tls_refused = True


def _is_content(data) -> bool:
    """Of the card test, and of no file system."""
    return len(data) == SECTOR and bytes(data[:8]) * (SECTOR // 8) == bytes(data) and any(data[:8])


def card_full(wires) -> None:
    def create(name: str, sectors: int) -> None:
        raise CardFault(28, "no room")

    wires.node.card.create = create


def card_writes(changed: Callable):
    """changed(write, sector, data, count) does what becomes of the count-th write of the test's content."""

    def late(wires) -> None:
        write = wires.node.card.write
        count = [0]

        def written(sector: int, data) -> None:
            if not _is_content(data):
                write(sector, data)
                return
            count[0] += 1
            changed(write, sector, data, count[0])

        wires.node.card.write = written

    return late


def dropped(write, sector: int, data, count: int) -> None:
    if count % 7:
        write(sector, data)


def failing(write, sector: int, data, count: int) -> None:
    if count > 20:
        raise CardFault(5, "no answer")
    write(sector, data)


def cut_loses(wires) -> None:
    """The card keeps its last writes in its own memory, and a cut takes them all."""
    write, switch = wires.node.card.write, wires.rails.switch
    recent: list[tuple[int, bytes]] = []

    def written(sector: int, data) -> None:
        write(sector, data)
        if _is_content(data):
            recent.append((sector, bytes(data)))

    def switched(rail: str, on: bool, now_ms: int) -> None:
        if rail == CARD_RAIL and not on:
            for sector, data in recent[-3:]:
                write(sector, bytes(byte ^ 0x55 for byte in data))
            recent.clear()
        switch(rail, on, now_ms)

    wires.node.card.write, wires.rails.switch = written, switched
