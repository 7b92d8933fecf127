"""One look at the settings of all nodes together. Law: every rule is asked about every node that the board would
take; what one node must not share with another is an error."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from deploy import check_board, check_certificate, check_forecast, check_radio, check_supply, check_words
from deploy.check_finding import ERROR, Finding, Seen
from deploy.check_source import Place, Source, Subject
from hostsim.board import Board

RULES = (check_radio, check_certificate, check_supply, check_board)


@dataclass(frozen=True)
class Wishes:
    """What the command line says besides: None or 0 where it says nothing. `profile` is what the board is called."""

    board: Board
    profile: str
    battery_mah: float = 0.0
    sample_every_s: int = 0
    transmit_every_s: int = 0
    outage_days: float | None = None


@dataclass
class Looked:
    """One node: what its numbers mean, a sentence each, and what was found, in the order of the file."""

    subject: Subject
    facts: list[str]
    findings: list[tuple[Place, Finding]]


def look(source: Source, wishes: Wishes, now_epoch_s: int | None = None) -> list[Looked]:
    """Each node of the source by itself. now_epoch_s: UTC; None: now."""
    now_epoch_s = int(time.time()) if now_epoch_s is None else now_epoch_s
    return [_node(source.path, subject, wishes, now_epoch_s) for subject in source.subjects]


def _node(path: Path, subject: Subject, wishes: Wishes, now_epoch_s: int) -> Looked:
    found = [(place, Finding(ERROR, (), one.reason, one.remedy)) for place, one in subject.problems]
    if subject.complete is None:
        return Looked(subject, [], found)
    settings = in_force(subject.complete, wishes)
    draw = check_forecast.draw(settings, wishes.board)
    capacity_mah = wishes.battery_mah or settings["battery"]["capacity_mah"]
    known = (settings, subject.given, path.parent, wishes.board, draw, capacity_mah)
    seen = Seen(*known, wishes.outage_days, now_epoch_s)
    for rules in RULES:
        found += [(subject.place(one.path), one) for one in rules.findings(seen)]
    found.sort(key=lambda one: one[0].line)
    return Looked(subject, _facts(seen, wishes.profile), found)


def in_force(complete: dict, wishes: Wishes) -> dict:
    """The settings with the intervals that the command line asks about."""
    sample_s = wishes.sample_every_s or complete["sample_every_s"]
    transmit_s = wishes.transmit_every_s or max(complete["transmit_every_s"], sample_s)
    return {**complete, "sample_every_s": sample_s, "transmit_every_s": transmit_s}


def _facts(seen: Seen, profile: str) -> list[str]:
    settings = seen.settings
    return [
        check_words.rhythm(settings),
        check_words.battery(seen.capacity_mah, seen.draw, profile, settings["must_last_days"]),
        check_words.current(seen.draw),
        check_words.card(settings),
        check_words.clock(settings),
    ]


def clashes(sources: list[Source]) -> Iterator[tuple[Source, Place, Finding]]:
    """Two nodes of one name, or of one client id that is written down, at one broker."""
    seen: dict[tuple, tuple[Source, int]] = {}
    for source in sources:
        for subject in source.subjects:
            for path, keys, reason, remedy in _who(source, subject):
                place = subject.place(path)
                earlier = [seen[key] for key in keys if key in seen]
                for key in keys:
                    seen.setdefault(key, (source, place.line))
                if not earlier:
                    continue
                other, line = earlier[0]
                where = f"line {line}" if other is source else f"{other.path}, line {line}"
                yield source, place, Finding(ERROR, path, f"{reason[0]} ({where}): {reason[1]}", remedy)


def _who(source: Source, subject: Subject) -> Iterator[tuple[tuple, list[tuple], tuple[str, str], str]]:
    """(path, each of what must differ, the two halves of the reason, remedy), as far as the file says it."""
    broker = subject.given.get("broker")
    broker = broker if isinstance(broker, dict) else {}
    at = (str(broker.get("host", "")).lower(), broker.get("port") or 0)
    name, client_id = subject.given.get("node"), broker.get("client_id")
    if isinstance(name, str) and name:
        # within one batch a name is one folder, whatever the broker
        keys = [("name", at, name)] + ([("name", source.path, name)] if source.is_batch else [])
        reason = "is the name of another node already", "their readings would be mixed"
        yield ("node",), keys, reason, "give each node a name of its own"
    if isinstance(client_id, str) and client_id:
        reason = "is the client id of another node already", "they would throw each other out"
        yield (
            ("broker", "client_id"),
            [("id", at, client_id)],
            reason,
            "delete it: then the chip's own number is taken",
        )
