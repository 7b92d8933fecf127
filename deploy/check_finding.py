"""What the rules of `torpor check` look at, and what they find. Law: a finding says where, what, and what to do,
and shows no value that could be a secret."""

from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from deploy.check_forecast import Draw
from hostsim.board import Board

ERROR, WARNING, NOTE = "error", "warning", "note"


class Finding(NamedTuple):
    """`path` is such as ("network", 0, "ssid"), () for the file; reason and remedy are phrases, no full stop."""

    level: str
    path: tuple
    reason: str
    remedy: str


@dataclass(frozen=True)
class Seen:
    """One node's settings and what is known besides.

    settings: complete, as the node uses them; given: as written; folder: where the file lies, which stands for the
    root of the board; board: its profile; capacity_mah: 0 where nobody says it; outage_days: what the card has to
    bridge, None if not asked; now_epoch_s: UTC.
    """

    settings: dict
    given: dict
    folder: Path
    board: Board
    draw: Draw
    capacity_mah: float
    outage_days: float | None
    now_epoch_s: int

    def is_given(self, section: str, key: str) -> bool:
        """True when the file itself says it."""
        table = self.given.get(section)
        return isinstance(table, dict) and key in table


def shown(text: str) -> str:
    """A name of the user's own (of a rail, a bus, a pin) as far as it may be shown.

    What is longer or stranger than such names are may be a password in the wrong place.
    """
    plain = 0 < len(text) <= 16 and all(character.isalnum() or character in "-_" for character in text)
    return text if plain else "..."


def label(path: tuple) -> str:
    """("network", 0, "ssid") -> "network#1.ssid", as the board's reader writes it."""
    if path[:1] == ("rails",):
        path = ("rails", *map(shown, path[1:]))
    text = ""
    for part in path:
        text += f"#{part + 1}" if isinstance(part, int) else ("." if text else "") + part
    return text
