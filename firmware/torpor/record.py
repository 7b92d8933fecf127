"""One reading <-> its bytes. Law: a record means the same for ever, whatever the settings become.

The format is docs/formats.md, "Record". A record in memory is the tuple
(time_s, uncertainty_s, run, layout, flags, values, channel_flags); a value is an integer in the unit of its
channel times ten to the channel's exponent, or ABSENT.
"""

from struct import pack_into, unpack_from

HEAD_SIZE = 12
CHANNEL_SIZE = 6
ABSENT = -2147483648
# uncertainty_s of a record whose time was not known when it was taken; its time_s is then run_s
TIME_UNKNOWN = 65535

# Record flags. The high byte is kept for quality.py and energy.py.
FIRST_AFTER_RESET = 1
TAKEN_LATE = 2

# Channel flags. Bits 0 to 7 are kept for quality.py.
SENSOR_FAILED = 0x100

_FORMATS = {}


def stride(channels_max):
    """Bytes a record takes in a ring made for `channels_max` channels."""
    return HEAD_SIZE + CHANNEL_SIZE * channels_max


def _format(channel_count):
    # built once a count: one call packs the whole record
    if channel_count not in _FORMATS:
        _FORMATS[channel_count] = "<IHHBBH" + "iH" * channel_count
    return _FORMATS[channel_count]


def encode(buffer, offset, stride_b, record):
    """Write `record` at `offset`, zero-filled to `stride_b` bytes."""
    time_s, uncertainty_s, run, layout, flags, values, channel_flags = record
    flat = []
    for index in range(len(values)):
        flat.append(values[index])
        flat.append(channel_flags[index])
    pack_into(_format(len(values)), buffer, offset, time_s, uncertainty_s, run, layout, 0, flags, *flat)
    used = HEAD_SIZE + CHANNEL_SIZE * len(values)
    if used < stride_b:
        buffer[offset + used : offset + stride_b] = bytes(stride_b - used)


def decode(buffer, offset, channel_count):
    """The record at `offset`, with its first `channel_count` channels; values and channel_flags are lists."""
    fields = unpack_from(_format(channel_count), buffer, offset)
    values = []
    channel_flags = []
    # not by a slice with a step: MicroPython has none for tuples
    for index in range(6, 6 + 2 * channel_count, 2):
        values.append(fields[index])
        channel_flags.append(fields[index + 1])
    return (fields[0], fields[1], fields[2], fields[3], fields[5], values, channel_flags)
