"""The only way out of the VM: questions to the world, and its answers. Law: asking takes no heap.

A question is a name, two numbers and bytes; the answer a number (below 0: an errno), the world's time and bytes.
hostsim/runtimes/micropython/vm.py has the other end. Runs in MicroPython only.
"""

_ask = bytearray(13)
_answer = bytearray(16)
_link = None
# virtual time, ms: as of the last answer
now = [0]


def open_link(fd):
    global _link
    _link = open(fd, "r+b")  # noqa: SIM115 - it stays open


def _put(at, number):
    for index in range(at, at + 4):
        _ask[index] = number & 255
        number >>= 8


def _number(at):
    return _answer[at] | _answer[at + 1] << 8 | _answer[at + 2] << 16 | _answer[at + 3] << 24


def call(name, a=0, b=0, data=b"", into=None):
    """The number of the answer; its bytes go into `into`. Raises OSError."""
    size = _talk(name, a, b, data)
    if size:
        _link.readinto(into)
    return _result()


def fetch(name, a=0, b=0, data=b""):
    """The bytes of the answer. Raises OSError."""
    size = _talk(name, a, b, data)
    buffer = bytearray(size)
    if size:
        _link.readinto(buffer)
    _result()
    return bytes(buffer)


def _talk(name, a, b, data):
    _ask[0] = len(name)
    _put(1, a)
    _put(5, b)
    _put(9, len(data))
    _link.write(_ask)
    _link.write(name)
    if data:
        _link.write(data)
    if _link.readinto(_answer) != 16:
        raise SystemExit
    now[0] = _number(4) | _number(8) << 32
    return _number(12)


def _result():
    number = _number(0)
    if number & 0x80000000:
        raise OSError(0x100000000 - number)
    return number
