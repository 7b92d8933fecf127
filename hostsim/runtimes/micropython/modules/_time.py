"""time, as the ESP32's. Law: time passes in the world alone; ticks wrap at 2**30, and the epoch is 2000."""

import _wire

TICKS = 1 << 30
# soon after each boot they wrap, so that nobody can do without ticks_diff()
_AHEAD = TICKS - 3000
_booted = _wire.now[0]


def ticks_ms():
    return (_wire.now[0] - _booted + _AHEAD) % TICKS


def ticks_us():
    return ticks_ms() * 1000 % TICKS


ticks_cpu = ticks_us


def ticks_add(ticks, delta):
    return (ticks + delta) % TICKS


def ticks_diff(end, start):
    return (end - start + TICKS // 2) % TICKS - TICKS // 2


def sleep_ms(ms):
    _wire.call("time.wait", max(0, ms))


def sleep_us(us):
    _wire.call("time.wait_us", max(0, us))


def sleep(seconds):
    _wire.call("time.sleep_us", int(max(0, seconds) * 1000000))


def time():
    return _wire.call("rtc.seconds")


def time_ns():
    return time() * 1000000000


def gmtime(seconds=None):
    # the interpreter's own counts from 1970
    seconds = time() if seconds is None else seconds
    return _wire.real_time.gmtime(seconds + 946684800)


localtime = gmtime


def mktime(fields):
    return _wire.real_time.mktime(fields) - 946684800
