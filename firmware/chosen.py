"""Law: the newest whole version comes first on the path."""

import os
import sys
from binascii import crc32

best = b""
for name in "/slot-a", "/slot-b":
    try:
        with open(name, "rb") as file:
            slot = file.read(34)
        if crc32(slot[:25]) == int(slot[25:], 16):
            os.stat("/fw/" + slot[9:25].decode())
            best = max(best, slot)
    except (OSError, ValueError):
        pass
if best:
    home = "/fw/" + best[9:25].decode()
    sys.path[:0] = [home, home + "/lib"]
