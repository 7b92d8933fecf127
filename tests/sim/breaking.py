"""Ways to break a file, for tests of bad input."""

import os


def replace(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def make(path, what):
    """Put something that is no usable file at `path`."""
    if path.is_file():
        path.unlink()
    if what == "folder":
        path.mkdir()
    elif what == "pipe":
        os.mkfifo(path)
    elif what == "endless device":
        path.symlink_to("/dev/zero")
    elif what == "link to itself":
        path.symlink_to(path)
    elif what == "empty":
        path.touch()
    elif what == "binary":
        path.write_bytes(b"\x7fELF\x00\xff" * 1000)
    elif what == "huge":
        path.touch()
        os.truncate(path, 1 << 36)  # sparse: takes no room
    else:
        assert what == "missing"
