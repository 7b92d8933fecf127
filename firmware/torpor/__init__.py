"""The portable node. Law: nothing below this folder, boards/ apart, names hardware, a socket or a clock."""

VERSION = "0.1.0"
# No network time before this moment is believed: 2026-11-01 00:00 UTC.
BUILD_EPOCH_S = 1793491200
