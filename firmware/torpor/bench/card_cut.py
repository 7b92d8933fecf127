"""Cut the card's supply in the middle of writes. Law: what was read back before a cut must be there after it.

The write that is cut may be there, be the old one, or be rubbish: the node repairs that. A stored neighbour that
changes is a card, or a switch, that the node must not be sent out with.
"""

from ..errors import CardError
from . import card as cards
from .report import said

ITEM = "card cut"
# the supply has to be gone, not only lower
OFF_MS = 200
ON_MS = 20
OLD_SALT = 0x0F0F0F0F


def check(report, ports, settings, file, cuts):
    """file: from card.check(). One item. Each cut leaves an open file behind, which is kept until the next reset."""
    rail = settings["card"]["rail"]
    if not rail:
        report.not_fitted(ITEM, "the card hangs on no rail")
        return
    if file is None:
        report.fail(ITEM, "card", "not tried", "", "mend the card first")
        return
    stored = {}
    came = {"new": 0, "old": 0, "torn": 0}
    cut = 0
    try:
        for cut in range(cuts):
            ports.power.feed_watchdog()
            file = _cut(report, ports, rail, file, stored, came, cut)
            lost = [sector for sector in sorted(stored) if not cards.reads_as(file, sector, stored[sector])]
            if lost:
                do = "another card; or the switch lets the supply linger: give it a discharge path"
                report.fail(ITEM, "card-cut-loses", f"{len(lost)} stored sectors gone after cut {cut + 1}", "0", do)
                return
    except CardError as error:
        do = "it does not come back after a cut: the supply does not fall to 0 while it is off, or it is worn"
        report.fail(ITEM, "card-cut-dead", f"{said(error)} after cut {cut + 1}", "", do)
        return
    report.numbers["card_cut"] = came
    value = f"{cuts} cuts, {len(stored)} stored sectors kept; the write that was cut: "
    value += f"{came['new']} new, {came['old']} old, {came['torn']} torn"
    report.passed(ITEM, value, "0 stored sectors lost")


def _cut(report, ports, rail, file, stored, came, cut):
    """One stored sector, one that is cut; returns the file as it is opened again."""
    half = cards.SECTORS // 2
    sector, victim = cut % half, half + cut % half
    salt = ports.random.u32()
    file.write(victim, cards.content(victim, OLD_SALT))
    file.write(sector, cards.content(sector, salt))
    if not cards.reads_as(file, sector, salt):
        raise CardError("a sector does not read back")
    stored[sector] = salt
    file.write(victim, cards.content(victim, salt))
    # at once: inside the card that write is not over
    ports.power.rail(rail, False)
    report.kept.append(file)
    ports.clock.wait_ms(OFF_MS)
    ports.power.rail(rail, True)
    ports.clock.wait_ms(ON_MS)
    ports.card.rings()
    file = ports.card.open(cards.NAME)
    if cards.reads_as(file, victim, salt):
        came["new"] += 1
    else:
        came["old" if cards.reads_as(file, victim, OLD_SALT) else "torn"] += 1
    return file
