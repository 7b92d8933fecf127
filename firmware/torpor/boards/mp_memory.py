"""Memory that outlasts a wake on MicroPython. Law: a slot or the diary is whole, or by its CRC worth nothing.

Retained memory is the RTC's, which keeps one string of bytes; slots for settings are blobs in the chip's
non-volatile storage, which not every chip has.
"""

# what chips of the family keep; it is asked for once, after power-on
SIZES = (2048, 1024, 512, 256)
SLOTS = ("slot0", "slot1")
# the length of a blob stands beside it, because a blob is read into a buffer that has to be large enough
LENGTHS = ("length0", "length1")
# flags: the radio was started in doubt; the time was set while the clock chip did not answer
RADIO_ON = "radio_on"
PASSED_BY = "passed_by"


class Retained:
    """Retained memory as a bytearray would be: slices are read and written. `rtc` is machine.RTC()."""

    def __init__(self, rtc):
        self._rtc = rtc
        self._bytes = bytearray(rtc.memory())
        for size in SIZES:
            if self._bytes:
                break
            self._bytes = _sized(rtc, size)

    def __len__(self):
        return len(self._bytes)

    def __getitem__(self, at):
        return self._bytes[at]

    def __setitem__(self, at, value):
        self._bytes[at] = value
        self._rtc.memory(self._bytes)


def _sized(rtc, size):
    try:
        rtc.memory(bytes(size))
    except ValueError:
        return bytearray()
    return bytearray(size)


class Nvm:
    """slots: 2, or 0 where the chip has no non-volatile storage."""

    def __init__(self):
        try:
            from esp32 import NVS

            self._nvs = NVS("torpor")
            self.slots = 2
        except (ImportError, OSError):
            self.slots = 0

    def read(self, index):
        try:
            buffer = bytearray(self._nvs.get_i32(LENGTHS[index]))
            self._nvs.get_blob(SLOTS[index], buffer)
            return buffer
        except OSError:
            # nothing was written yet, or a power cut left another length beside the blob
            return b""

    def write(self, index, data):
        """Raises OSError when the data does not fit."""
        nvs = self._nvs
        nvs.set_blob(SLOTS[index], data)
        nvs.set_i32(LENGTHS[index], len(data))
        nvs.commit()

    def flag(self, key):
        """True when 1 is kept under `key`."""
        try:
            return self._nvs.get_i32(key) == 1
        except Exception:
            # it never was, or there is nowhere to keep it
            return False

    def keep_flag(self, key, on):
        """Keep 1 or 0 under `key`; what is there already is not written again. True when it is there now."""
        if self.flag(key) == on:
            return True
        try:
            self._nvs.set_i32(key, int(on))
            self._nvs.commit()
            return True
        except Exception:
            return False
