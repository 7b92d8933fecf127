"""Law: what a port may raise is one of these; everything else that it raises is a defect of the port."""


class CardError(Exception):
    """The card did not do what was asked: absent, busy beyond its limit, refused a block, or full."""


class LinkError(Exception):
    """Joining, resolving, connecting, sending or receiving failed or took too long.

    `step` is one of the names in retained.FAULTS, so that it can be counted as it is.
    """

    def __init__(self, step, detail=""):
        super().__init__(step, detail)
        self.step = step


class RingError(Exception):
    """The file on the card is not a ring that this node may write to."""
