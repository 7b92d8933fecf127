"""machine, as the ESP32's. Law: it answers what the world says, and takes no argument that the platform does not."""

import _wire

PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5
PIN_WAKE = EXT0_WAKE = 2
EXT1_WAKE, TIMER_WAKE = 3, 4


def reset_cause():
    return _wire.call("chip.reset_cause")


def wake_reason():
    return _wire.call("chip.wake_reason")


def unique_id():
    return _wire.fetch("chip.unique_id")


def deepsleep(time_ms=None):
    # never answered: the chip is off
    _wire.call("chip.deepsleep", time_ms is not None, 0, b"%d" % (time_ms or 0))


def reset():
    _wire.call("chip.reset")


class Pin:
    IN, OUT, OPEN_DRAIN = 1, 3, 7
    PULL_UP, PULL_DOWN = 2, 1

    def __init__(self, id, mode=-1, pull=-1, *, value=None):  # noqa: A002 - the platform's name
        self.name = str(id)
        _wire.call("pin.claim", mode, 0, self.name)
        if value is not None:
            self.value(value)

    def value(self, level=None):
        if level is None:
            return _wire.call("pin.read", 0, 0, self.name)
        _wire.call("pin.write", 1 if level else 0, 0, self.name)
        return None

    __call__ = value


class ADC:
    ATTN_0DB, ATTN_2_5DB, ATTN_6DB, ATTN_11DB = 0, 1, 2, 3

    def __init__(self, pin, *, atten=ATTN_0DB):
        self._name = pin.name
        self._atten = atten
        if _wire.call("adc.claim", 0, 0, self._name):
            raise ValueError("invalid pin")

    def read_uv(self):
        return _wire.call("adc.read", self._atten, 0, self._name)


class I2C:
    def __init__(self, id=-1, *, scl=None, sda=None, freq=400000, timeout=50000):  # noqa: A002
        self._bus = _wire.call("i2c.open", id, freq, "" if scl is None else scl.name + " " + sda.name)

    def scan(self):
        return list(_wire.fetch("i2c.scan", self._bus))

    def writeto(self, addr, buf, stop=True):
        _wire.call("i2c.write", self._bus, addr, buf)
        return len(buf)

    def readfrom_into(self, addr, buf, stop=True):
        data = _wire.fetch("i2c.read", self._bus, addr | len(buf) << 8)
        buf[:] = data

    def readfrom(self, addr, nbytes, stop=True):
        return _wire.fetch("i2c.read", self._bus, addr | nbytes << 8)


class SoftI2C(I2C):
    def __init__(self, scl, sda, *, freq=400000, timeout=50000):
        super().__init__(-1, scl=scl, sda=sda, freq=freq)


class RTC:
    def datetime(self, fields=None):
        if fields is None:
            return tuple([int(field) for field in _wire.fetch("rtc.read").split()])
        _wire.call("rtc.set", 0, 0, " ".join([str(field) for field in fields]))
        return None

    def memory(self, data=None):
        if data is None:
            return _wire.fetch("rtc.memory")
        if len(data) > _wire.call("rtc.memory_size"):
            raise ValueError("buffer too long")
        _wire.call("rtc.remember", 0, 0, data)
        return None


class WDT:
    def __init__(self, id=0, timeout=5000):  # noqa: A002
        if id != 0:
            raise ValueError
        if timeout < 1000:
            raise ValueError("WDT timeout too short")
        _wire.call("wdt.arm", timeout)

    def feed(self):
        _wire.call("wdt.feed")


class SDCard:
    """Over SPI. Each operation fails until the card has answered once since it got its supply."""

    def __init__(self, slot=1, width=1, cd=None, wp=None, sck=None, miso=None, mosi=None, cs=None, freq=20000000):
        if slot not in (2, 3):
            raise ValueError("only the slots over SPI are wired here")
        _wire.call("sd.open")

    def readblocks(self, block_num, buf):
        _wire.call("sd.read", block_num, len(buf), into=buf)

    def writeblocks(self, block_num, buf):
        _wire.call("sd.write", block_num, 0, buf)

    def ioctl(self, op, arg):
        if op == 1:
            _wire.call("sd.begin")
        elif op == 4:
            return _wire.call("sd.count")
        elif op == 5:
            return 512
        return 0

    def deinit(self):
        _wire.call("sd.close")
