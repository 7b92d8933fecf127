"""On-chip memory that outlasts everything, shared out. Law: a slot never reaches into the counters, nor they into it.

CircuitPython only; safemode.py uses it too. Two slots for settings, and at the very end four small counters for what
no other memory outlasts: they are written when something went wrong, and once when it is over, never in a usual wake.
"""

# not every build's errno has it
ENOSPC = 28
# bytes: mark, watchdog resets in a row, safe modes in a row, what the last safe mode was for, 1 when the time was set
# while the clock chip did not answer, their sum
TAIL = 6
COUNTERS = 4
MARK = 0xA8
# smaller memories hold no settings worth the name
SLOT_MIN = 512
WATCHDOGS, SAFE_MODES, PENDING, PASSED_BY = range(COUNTERS)
# what PENDING says; 0: nothing
BROWN_OUT, PANIC = 1, 2


class Memory:
    """`nvm` is microcontroller.nvm: a ByteArray, or None where the chip has none. slots: 2 or 0."""

    def __init__(self, nvm):
        self._nvm = nvm
        self._size = 0 if nvm is None else (len(nvm) - TAIL) // 2
        self.slots = 2 if self._size >= SLOT_MIN else 0

    def read(self, index):
        """The whole slot: what was written last, and behind it what was there before."""
        return bytes(self._nvm[index * self._size : (index + 1) * self._size])

    def write(self, index, data):
        """Raises OSError when the data does not fit."""
        if len(data) > self._size:
            raise OSError(ENOSPC, "larger than the slot")
        start = index * self._size
        self._nvm[start : start + len(data)] = bytes(data)

    def counters(self):
        """The counters; zeros when none were written yet or the writing was cut short."""
        if self._size < 0 or self._nvm is None:
            return bytearray(COUNTERS)
        tail = bytes(self._nvm[len(self._nvm) - TAIL :])
        if tail[0] != MARK or tail[-1] != sum(tail[:-1]) & 0xFF:
            return bytearray(COUNTERS)
        return bytearray(tail[1:-1])

    def keep(self, counters):
        """Write the counters where they differ from what is there: flash wears. They are a help, no condition."""
        if self._nvm is None or self._size < 0 or counters == self.counters():
            return
        tail = bytes((MARK,)) + bytes(counters)
        try:
            self._nvm[len(self._nvm) - TAIL :] = tail + bytes((sum(tail) & 0xFF,))
        except (OSError, RuntimeError):
            pass
