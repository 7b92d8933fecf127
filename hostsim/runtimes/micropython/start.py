"""Where the VM begins: the node's flash is its root, the platform's modules come last. Runs in MicroPython only."""

import os
import sys
import time

import vfs

fd, flash, modules = sys.argv[1:4]
# a file is the image of a FAT volume
image = open(flash, "r+b") if os.stat(flash)[0] & 0x8000 else None  # noqa: SIM115 - it stays open
vfs.umount("/")
vfs.mount(vfs.VfsPosix(modules), "/platform")
if image is None:
    vfs.mount(vfs.VfsPosix(flash), "/")
else:
    sys.path[:] = ["/platform"]
    from _image import Image

    vfs.mount(vfs.VfsFat(Image(image)), "/")
os.chdir("/")
sys.path[:] = ["", "/lib", "/platform", ".frozen"]

import _wire  # noqa: E402 - reachable only now

_wire.open_link(int(fd))
_wire.real_time = time
_wire.call("chip.boot")
import _time  # noqa: E402

# a built-in module comes before files under this name alone
sys.modules["utime"] = _time
import main  # noqa: E402, F401
