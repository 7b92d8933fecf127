"""Any driver by name. Law: the driver's own code decides everything but its name, its bus and its address."""

_TAKES_NONE = "takes no address"


def load(driver, bus, address):
    """The object that "module.Class" makes of a bus and, unless it is 0, an address.

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
    return _made(make, bus, address) if address else make(bus)


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
