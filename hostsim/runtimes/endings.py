"""What a wake ends in. Law: none of them is an Exception, so that no handler of a node can swallow it."""


class DeepSleep(BaseException):
    """The board has gone to sleep."""


class PowerLoss(BaseException):
    """The supply is gone, in the middle of whatever it was."""


class WatchdogReset(BaseException):
    """The watchdog has bitten."""


class BrownOut(BaseException):
    """The supply has given way for a moment, and the chip's detector has reset it."""


# by the fault's name: what it raises, and what the judge is told
ENDINGS = {
    "power-cut": PowerLoss,
    "brown-out": BrownOut,
    "watchdog-reset": WatchdogReset,
    "memory-zeroed": WatchdogReset,
}
ENDS = {
    "power-cut": "power cut",
    "brown-out": "brown-out",
    "watchdog-reset": "a reset from outside",
    "memory-zeroed": "a reset from outside",
}
# the cause of the reset, by how the wake ended
CAUSES = {
    "reset": "watchdog",
    "a reset from outside": "watchdog",
    "power cut": "power-on",
    "brown-out": "brown-out",
}
