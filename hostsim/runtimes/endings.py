"""What a wake ends in. Law: none of them is an Exception, so that no handler of a node can swallow it."""


class DeepSleep(BaseException):
    """The board has gone to sleep."""


class PowerLoss(BaseException):
    """The supply is gone, in the middle of whatever it was."""


class WatchdogReset(BaseException):
    """The watchdog has bitten."""


class BrownOut(BaseException):
    """The supply has given way for a moment, and the chip's detector has reset it."""
