"""Boards built alike: one file with what they share, and a [[node]] for each with what differs. Law: a node's
settings are the shared ones with its own put over them, and nothing of one node reaches another."""

from copy import deepcopy
from typing import NamedTuple

from deploy.batch_text import toml_text

NODE = "node"
NAME = "name"
NODES_MAX = 1000


class Member(NamedTuple):
    """One board of a batch: `index` of its [[node]] from 0, its name, the text of its settings file."""

    index: int
    name: str
    text: str


# (path in the file, reason, remedy)
Mistake = tuple[tuple, str, str]


def is_batch(raw: dict) -> bool:
    """True for the values of a batch file: in a settings file `node` is a name."""
    return isinstance(raw.get(NODE), (list, dict))


def members(raw: dict) -> tuple[list[Member], list[Mistake]]:
    """The boards of a batch file, and what is wrong with the list of them."""
    tables = raw[NODE]
    if isinstance(tables, dict) or not all(isinstance(table, dict) for table in tables):
        return [], [((NODE,), "is a list of boards", "write [[node]] in double brackets for each")]
    if not 1 <= len(tables) <= NODES_MAX:
        return [], [((NODE,), f"{len(tables)} boards", f"write 1 to {NODES_MAX} [[node]] sections")]
    shared = {key: value for key, value in raw.items() if key != NODE}
    found: list[Member] = []
    mistakes: list[Mistake] = []
    for index, table in enumerate(tables):
        if NODE in table:
            mistakes.append(
                ((NODE, index, NODE), "is not a key of a batch", 'write name = "..." for the node\'s name')
            )
        own = {key: value for key, value in table.items() if key not in (NAME, NODE)}
        settings = merged(shared, own)
        if NAME in table:
            settings = {NODE: table[NAME], **settings}
        else:
            mistakes.append(((NODE, index, NAME), "is missing", 'write name = "..." in this [[node]]'))
            settings = {NODE: f"node-{index + 1}", **settings}
        name = table.get(NAME)
        found.append(Member(index, name if isinstance(name, str) else "", toml_text(settings)))
    return found, mistakes


def merged(shared: dict, own: dict) -> dict:
    """`shared` with `own` put over it: sections key by key; repeated sections and single values as a whole."""
    result = deepcopy(shared)
    for key, value in own.items():
        if isinstance(value, dict) and isinstance(result.get(key), dict):
            result[key].update(deepcopy(value))
        else:
            result[key] = deepcopy(value)
    return result
