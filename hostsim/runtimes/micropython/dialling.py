"""The world's side of a real broker's stream. Law: no byte of it passes here; only whether one would get through.

The VM opens a socket of its own and speaks over it itself.
"""


class Ticket:
    """The world's side of a real stream. reached: something got through since it was last cleared."""

    def __init__(self):
        self.reached = False

    def send(self, data, timeout_ms: int) -> int:
        self.reached = True
        return len(data)

    def recv_into(self, buffer, timeout_ms: int) -> int:
        self.reached = True
        return 0

    def close(self) -> None:
        pass


class Dialling:
    """The world, for the links of one node; a real broker is dialled by the VM, and gets a ticket here."""

    def __init__(self, world):
        self._world = world
        self.ticket: Ticket | None = None
        self.broker_host = world.broker_host
        self.time_hosts = world.time_hosts
        self.time_behaviour = world.time_behaviour
        self.start_epoch_s = world.start_epoch_s

    def open_broker(self, node, rtt_ms: int):
        desk = self._world.desk
        if desk is None:
            return self._world.open_broker(node, rtt_ms)
        desk.hand_over()
        self.ticket = Ticket()
        return self.ticket
