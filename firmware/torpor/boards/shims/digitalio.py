"""Names that CircuitPython drivers import for pins that they are not given. Law: nothing here touches a pin.

For MicroPython only, where this folder is on sys.path. A sensor of the settings has a bus and an address, and no
further pins; a driver that needs one fails with an AttributeError, and costs its channels.
"""


class DigitalInOut:
    pass


class Direction:
    INPUT = 0
    OUTPUT = 1


class Pull:
    UP = 1
    DOWN = 2


class DriveMode:
    PUSH_PULL = 0
    OPEN_DRAIN = 1
