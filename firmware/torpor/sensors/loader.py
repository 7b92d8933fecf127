"""Any driver by name. Law: the driver's own code decides everything but its name, its bus and its address."""

_TAKES_NONE = "takes no address"
# Some parts measure only once they have been told to, and their drivers leave that to the caller.
STARTS = ("start_periodic_measurement", "start_ranging")


def load(driver, bus, address):
    """The object that "module.Class" makes of a bus and, unless it is 0, an address, measuring.

    ValueError with a short reason when there is no such module or class, or when it takes no address; whatever the
    constructor raises passes through: ValueError for a device that does not answer, OSError, RuntimeError ...
    """
    name, _, class_name = driver.rpartition(".")
    try:
        module = __import__(name, None, None, (class_name,))
    except ImportError as error:
        raise ValueError(f"{name}: {error}")
    make = getattr(module, class_name, None)
    if make is None:
        raise ValueError(f"{name} has no {class_name}")
    made = _made(make, bus, address) if address else make(bus)
    for start in STARTS:
        if hasattr(made, start):
            getattr(made, start)()
    return made


def value(made, name):
    """What a driver says of a property, or the entry of that name, blanks as underscores, where it gives a dict.

    The latter is what particle counters do: read() -> {"pm25 env": 12, ...}. Raises whatever the driver raises.
    """
    try:
        return getattr(made, name)
    except AttributeError:
        if not hasattr(made, "read"):
            raise
    return made.read()[name.replace("_", " ")]


def _made(make, bus, address):
    """make(bus, address): drivers differ in the name and the place of the argument."""
    try:
        return make(bus, address=address)
    except TypeError:
        pass
    try:
        return make(bus, addr=address)
    except TypeError:
        pass
    try:
        return make(bus, address)
    except TypeError as error:
        raise ValueError(f"{_TAKES_NONE}: {error}")
