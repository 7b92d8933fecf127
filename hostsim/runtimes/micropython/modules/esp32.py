"""esp32: non-volatile storage and wake-up by pins. Law: what was not committed is gone at the next reset."""

import _wire

WAKEUP_ALL_LOW = False
WAKEUP_ANY_HIGH = True


class NVS:
    def __init__(self, namespace):
        self._prefix = namespace + "/"

    def get_i32(self, key):
        return int(_wire.fetch("nvs.get", 0, 0, self._prefix + key))

    def set_i32(self, key, value):
        _wire.call("nvs.name", 0, 0, self._prefix + key)
        _wire.call("nvs.set", 0, 0, b"%d" % value)

    def get_blob(self, key, buffer):
        data = _wire.fetch("nvs.get", 1, len(buffer), self._prefix + key)
        buffer[: len(data)] = data
        return len(data)

    def set_blob(self, key, value):
        _wire.call("nvs.name", 0, 0, self._prefix + key)
        _wire.call("nvs.set", 1, 0, value)

    def commit(self):
        _wire.call("nvs.commit")


def wake_on_ext0(pin, level):
    _wire.call("wake.ext0", 0, level, pin.name)


def wake_on_ext1(pins, level):
    _wire.call("wake.ext1", 0, level, pins[0].name)
