"""The register of deployments: which chip stood where, and when. Law: a chip stands in one place at a time."""

import re
import shlex
from datetime import UTC, datetime

from sqlalchemy import delete, select

from deploy.export import utc
from deploy.store_schema import deployments

WORDS = ("eui", "place", "from", "to")
EXAMPLE = 'such as "eui=02a1b2fffec3d4e5 place=north-stack from=2027-03-01T08:00Z"'


class RegisterError(ValueError):
    """The entry cannot be made; str() is one line."""


def parse(text: str) -> dict:
    """{"eui", "place", "from_s", "to_s"} of an entry's words. Raises RegisterError."""
    try:
        words = dict(word.split("=", 1) for word in shlex.split(text))
    except ValueError:
        raise RegisterError(f"words of the form KEY=VALUE, {EXAMPLE}") from None
    for key in words:
        if key not in WORDS:
            raise RegisterError(f"{key}: the words are {', '.join(WORDS)}, {EXAMPLE}")
    for key in ("eui", "place", "from"):
        if not words.get(key):
            raise RegisterError(f"{key} is wanted, {EXAMPLE}")
    eui = words["eui"].lower()
    if not re.fullmatch(r"[0-9a-f]{16}", eui):
        raise RegisterError("eui: the chip's EUI-64 is 16 hex digits; the audit shows those that it knows")
    place = words["place"]
    if len(place) > 200 or not place.isprintable():
        raise RegisterError("place: at most 200 printable characters")
    from_s = moment(words["from"], "from")
    to_s = moment(words["to"], "to") if words.get("to") else None
    if to_s is not None and to_s <= from_s:
        raise RegisterError("to: lies before from")
    return {"eui": eui, "place": place, "from_s": from_s, "to_s": to_s}


def moment(text: str, key: str) -> int:
    """Epoch seconds of a date or a time in ISO 8601; without a zone it is UTC. Raises RegisterError."""
    try:
        told = datetime.fromisoformat(text)
        told = told.replace(tzinfo=UTC) if told.tzinfo is None else told
        return int(told.timestamp())
    except (ValueError, OverflowError):
        raise RegisterError(f"{key}: a time such as 2027-03-01 or 2027-03-01T08:00Z") from None


def register(connection, entry: dict) -> str:
    """Make an entry, or give an entry of the same chip and beginning another place or end; say what was done."""
    same = [deployments.c.eui == entry["eui"], deployments.c.from_s == entry["from_s"]]
    others = connection.execute(
        select(deployments).where(deployments.c.eui == entry["eui"], deployments.c.from_s != entry["from_s"])
    )
    for row in others.all():
        ends_before = row.to_s is not None and row.to_s <= entry["from_s"]
        begins_after = entry["to_s"] is not None and entry["to_s"] <= row.from_s
        if not ends_before and not begins_after:
            still = (
                f"to {utc(row.to_s)}" if row.to_s is not None else "and has no end yet: register it again with to="
            )
            raise RegisterError(f"chip {entry['eui']} stands in {row.place} from {utc(row.from_s)} {still}")
    changed = connection.execute(delete(deployments).where(*same)).rowcount
    connection.execute(deployments.insert(), [entry])
    end = f" to {utc(entry['to_s'])}" if entry["to_s"] is not None else ""
    verb = "changed" if changed else "registered"
    return f"{verb}: chip {entry['eui']} in {entry['place']} from {utc(entry['from_s'])}{end}"
