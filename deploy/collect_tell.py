"""Telling nodes what the store lacks of theirs. Law: what is told is what the store holds at that moment."""

import time

from deploy import store_have
from deploy.store import reads

# how long a node's readings may still be on their way, before it is told what is missing
HAVE_AFTER_S = 2.0


class Teller:
    """Publishes `have`: for each node that changed, a while after it did, since more may be on its way."""

    def __init__(self, engine):
        self._engine = engine
        self._due_s: dict[str, float] = {}

    def all(self) -> None:
        """After a broker's restart it may have forgotten everything, and nobody knows what was said last."""
        with reads(self._engine) as connection:
            self._due_s = dict.fromkeys(store_have.names_to_tell(connection), 0.0)

    def changed(self, nodes: set[str]) -> None:
        for name in nodes:
            self._due_s.setdefault(name, time.monotonic() + HAVE_AFTER_S)

    def tell(self, session, now_s: float) -> None:
        due = [name for name, at_s in self._due_s.items() if at_s <= now_s]
        if not due:
            return
        with reads(self._engine) as connection:
            for name in due:
                message = store_have.payload(connection, name)
                if message is not None:
                    session.publish(f"torpor/{name}/have", message)
                del self._due_s[name]
