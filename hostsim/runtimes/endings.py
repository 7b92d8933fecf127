"""What a wake ends in. Law: none of them is an Exception, so that no handler of a node can swallow it."""


class DeepSleep(BaseException):
    """The board has gone to sleep."""


class WatchdogReset(BaseException):
    """The watchdog has bitten."""
