"""The card: does it keep what it is given, and how long does it take. Law: the ring is never touched.

It writes into a file that has no name of a ring, which the node itself replaces when it makes one. A write counts
when it has been read back, as in the ring.
"""

from struct import pack

from ..errors import CardError
from . import limits
from .report import said

NAME = "torpor.new"
SECTOR = 512
SECTORS = 256
WRITES = 200
READ_BACK_EVERY = 50


def check(report, ports, settings):
    """One item for presence, one for content and one for time; returns the file, None where there is none."""
    card = settings["card"]
    try:
        names = ports.card.rings()
    except CardError as error:
        rail = f"rail {card['rail']} gives nothing, " if card["rail"] else ""
        do = rail + "no card in the slot, not formatted as FAT, or its pins in [card] are not the board's"
        report.fail("card", "card-absent", said(error), "", do)
        return None
    ports.power.feed_watchdog()
    try:
        file = ports.card.create(NAME, SECTORS)
    except CardError as error:
        ring = f" (a ring is on it: {names[0]})" if names else ""
        do = "no room for 128 KiB, or the card is write-protected or worn: another card"
        report.fail("card", "card-full", said(error) + ring, "128 KiB free", do)
        return None
    report.passed("card", f"mounted, {len(names)} ring file(s) on it, room for {SECTORS} sectors")
    times = []
    try:
        wrong = _written(ports, file, times)
    except CardError as error:
        do = "contacts of the slot, its supply while it writes, or spi_hz in [card] is too fast for the wires"
        report.fail("card contents", "card-fails", f"{said(error)} at write {len(times)}", "", do)
        return file
    report.judge(
        not wrong,
        "card contents",
        "card-forgets",
        f"{WRITES - wrong} of {WRITES} sectors read back as written",
        f"{WRITES}",
        "it says that it has written and has not: another card, or a slower spi_hz",
    )
    _speed(report, times)
    return file


def content(sector, salt):
    """What stands in a sector: every 8 bytes say which and when."""
    return pack("<II", sector, salt) * (SECTOR // 8)


def _place(index):
    # as the ring writes: from one half of the file to the other
    return (index & 1) * (SECTORS // 2) + (index >> 1)


def _written(ports, file, times):
    """Write, and read back; the number of sectors that are not as written. times: takes the ms of each write."""
    clock = ports.clock
    salt = ports.random.u32()
    for index in range(WRITES):
        data = content(_place(index), salt)
        begun_ms = clock.ticks_ms()
        file.write(_place(index), data)
        times.append(clock.elapsed_ms(begun_ms))
        if index % READ_BACK_EVERY == 0:
            ports.power.feed_watchdog()
    return sum([0 if reads_as(file, _place(index), salt) else 1 for index in range(WRITES)])


def reads_as(file, sector, salt):
    """True when the sector holds what was written under this salt."""
    buffer = bytearray(SECTOR)
    file.read(sector, buffer)
    return bytes(buffer) == content(sector, salt)


def _speed(report, times):
    total_ms = max(1, sum(times))
    times.sort()
    figures = {}
    for percent in (50, 90, 99):
        figures[percent] = times[(len(times) - 1) * percent // 100]
    rate = len(times) * SECTOR // total_ms
    report.numbers["card"] = {
        "p50_ms": figures[50],
        "p90_ms": figures[90],
        "p99_ms": figures[99],
        "max_ms": times[-1],
        "kb_s": rate,
    }
    report.judge(
        times[-1] <= limits.WRITE_MS_MAX,
        "card speed",
        "card-slow",
        f"{rate} kB/s; a write takes {figures[50]} ms (half), {figures[90]} (90 %), {figures[99]} (99 %), "
        f"{times[-1]} at most",
        f"{limits.WRITE_MS_MAX} ms at most",
        "each wake would wait for it: another card",
    )
