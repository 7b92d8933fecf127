"""Names that CircuitPython drivers import and never call. Law: nothing here touches a pin.

For MicroPython only, where this folder is on sys.path. A driver is handed its bus; it names these classes in
annotations alone.
"""


class I2C:
    """The bus of a driver is any object with the calls that docs/porting.md names."""


class SPI:
    pass


class UART:
    pass
