"""What lies on a board as its settings file while something is wrong with it. Law: the same fault, the same file.

A file that is cut so that what is left is TOML cannot be told from one that somebody meant: such a cut is moved.
"""

import re
import tomllib


def file_of(node) -> bytes | None:
    """The settings file as the node finds it now; None: there is none."""
    data = node.settings_toml
    for name, spoil in _AS.items():
        fault = node.faults.holds(name, node.now_ms)
        if fault is not None:
            return spoil(data, fault)
    return data


def is_without(node, kept: bytes | None = None) -> bool:
    """True when the node can have no settings of its own: the file is of no use, and its memory never held them.

    kept: what that memory holds, where it is not node.nvm.
    """
    if not any(node.faults.holds(name, node.now_ms) for name in _AS if name != "settings-astray"):
        return False
    kept = b"".join(node.nvm) if kept is None else kept
    return kept.find(f'"{node.name}"'.encode()) < 0


def _missing(data: bytes, fault) -> None:
    return None


def _broken(data: bytes, fault) -> bytes:
    return data + b'\n[[network\nssid = "\n'


def _cut(data: bytes, fault) -> bytes:
    # somewhere behind the first section: where, follows from when
    end = int((0.2 + 0.8 * (fault.from_s % 997.0) / 997.0) * len(data))
    while end > 0 and _is_toml(data[:end]):
        end -= 1
    return data[:end]


def _is_toml(data: bytes) -> bool:
    try:
        tomllib.loads(data.decode())
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        return False
    return True


def _refused(data: bytes, fault) -> bytes:
    return b"sample_evry_s = 600\n" + data


def _astray(data: bytes, fault) -> bytes:
    return re.sub(rb'(?m)^(ssid *= *")([^"]{1,27})[^"]*', rb"\1gone-\2", data)


_AS = {
    "settings-missing": _missing,
    "settings-broken": _broken,
    "settings-cut": _cut,
    "settings-refused": _refused,
    "settings-astray": _astray,
}
