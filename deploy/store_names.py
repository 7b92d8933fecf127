"""Numbers for what readings name: chips, rings, channels. Law: a number is remembered while its row is committed.

Whoever rolls back throws the Names away with it.
"""

from sqlalchemy import select

from deploy.store_schema import channels, nodes, rings

# a bound for what is remembered of hostile names; beyond it the database is asked again
REMEMBERED_MAX = 100_000


class Names:
    """Numbers of rows by what they are named, remembered from batch to batch."""

    def __init__(self):
        self._nodes: dict[str, tuple[int, str]] = {}  # eui: number, name
        self._rings: dict[tuple[str, str], int] = {}
        self._channels: dict[tuple[str, str], int] = {}
        self._lists: dict[tuple, list[int]] = {}

    def node(self, connection, eui: str, name: str, now_s: int) -> int:
        """The chip's number; its name becomes the one that it uses now."""
        found = self._nodes.get(eui)
        if found is not None and found[1] == name:
            return found[0]
        number, known_as = _number(
            connection, nodes, {"eui": eui}, {"name": name, "since_s": now_s}, (nodes.c.id, nodes.c.name)
        )
        if known_as != name:
            connection.execute(nodes.update().where(nodes.c.id == number).values(name=name))
        _bounded(self._nodes)[eui] = number, name
        return number

    def ring(self, connection, node_id: int, eui: str, ring: str, now_s: int) -> int:
        found = self._rings.get((eui, ring))
        if found is None:
            key = {"node_id": node_id, "ring": ring}
            found = _number(connection, rings, key, {"heard_s": now_s}, (rings.c.id,))[0]
            _bounded(self._rings)[eui, ring] = found
        return found

    def channels(self, connection, named: tuple[tuple[str, str], ...]) -> list[int]:
        """The numbers of several (channel, unit)."""
        found = self._lists.get(named)
        if found is None:
            found = [self.channel(connection, *channel) for channel in named]
            _bounded(self._lists)[named] = found
        return found

    def channel(self, connection, name: str, unit: str) -> int:
        found = self._channels.get((name, unit))
        if found is None:
            found = _number(connection, channels, {"name": name, "unit": unit}, {}, (channels.c.id,))[0]
            _bounded(self._channels)[name, unit] = found
        return found


def _bounded(numbers: dict) -> dict:
    if len(numbers) >= REMEMBERED_MAX:
        numbers.clear()
    return numbers


def insert_new(connection, table):
    """An insert that leaves a row alone that another writer has just made."""
    if connection.dialect.name == "postgresql":
        from sqlalchemy.dialects.postgresql import insert
    else:
        from sqlalchemy.dialects.sqlite import insert
    return insert(table).on_conflict_do_nothing()


def _number(connection, table, key: dict, more: dict, columns) -> tuple:
    wanted = select(*columns).where(*[table.c[name] == value for name, value in key.items()])
    row = connection.execute(wanted).first()
    if row is None:
        connection.execute(insert_new(connection, table), [{**key, **more}])
        row = connection.execute(wanted).one()
    return tuple(row)
