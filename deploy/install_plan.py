"""What an install will do to a board. Law: making a plan only reads, and nothing is done that is not in the plan."""

from collections.abc import Iterator
from typing import NamedTuple

from deploy import install_slots as slots
from deploy.install_contents import BLOCK, FOLDER, MANIFEST, Contents, listed, manifest
from deploy.install_target import FOR_CIRCUITPYTHON, TargetError

LITTER = "._"
NEW = ".new"
KEPT = ".before"
SETTINGS = "settings.toml"
# begins our own files of these names; others are kept under another name
OURS = {
    "boot.py": b'"""Before main.py, CircuitPython only.',
    "safemode.py": b'"""Runs in safe mode, CircuitPython only.',
    "chosen.py": b'"""Law: the newest whole version',
    "main.py": b'"""Law: whatever is raised, the board ends',
}
# CircuitPython would run these instead of main.py
FIRST = ("code.txt", "code.py")
# what a board begins with
LAST = ("main.py",)
DEPTH_MAX = 4  # folders in a version
SPARE_CLUSTERS = 8  # for folders that grow


class Change(NamedTuple):
    """A file in the root. keep_as: what the one that is there will be called, "" where it gives way."""

    name: str
    data: bytes
    in_place: bool
    keep_as: str


class Plan(NamedTuple):
    """whole: the version lies on the board already; runs: it is the one that counts.

    litter: paths; stale: versions that no slot names, or that were never finished; old: what goes after the switch;
    broken_slots: their files; changes: of the root, in order; away: [(file, its new name)] of what would run before
    main.py; known: names of files that may be removed; bytes_needed, bytes_free.
    """

    contents: Contents
    manifest: bytes
    whole: bool
    runs: bool
    litter: list[str]
    leftovers: list[str]
    stale: list[str]
    old: list[str]
    broken_slots: list[str]
    changes: list[Change]
    away: list[tuple[str, str]]
    known: set[str]
    bytes_needed: int
    bytes_free: int


def slot_files(target) -> dict[str, bytes | None]:
    return {name: target.read(name) for name in slots.NAMES}


def is_whole(target, contents: Contents) -> bool:
    """Every file of the version is on the board as it should be, and its manifest says so."""
    home = contents.home
    digests = contents.digests()
    if listed(target.read(f"{home}/{MANIFEST}")) != digests:
        return False
    return all(target.digest(f"{home}/{path}") == digest for path, digest in digests.items())


def planned(target, contents: Contents, kind: str, board: str, root: dict[str, bytes]) -> Plan:
    """root: {name: bytes} of what has to lie in the root, in order. Raises TargetError where it has no room."""
    top = target.names("") or {}
    read = slot_files(target)
    _, now = slots.newest(read)
    named = {slot.version for data in read.values() if (slot := slots.parsed(data)) is not None}
    versions = [name for name, folder in (target.names(FOLDER) or {}).items() if folder and _is_version(name)]
    whole = contents.version in versions and is_whole(target, contents)
    stale = [name for name in versions if name not in named and not (whole and name == contents.version)]
    kept = {contents.version, now.version if now else None}
    runs = whole and now is not None and now.version == contents.version
    if runs:
        kept |= named
    lists = [listed(target.read(f"{FOLDER}/{name}/{MANIFEST}")) or {} for name in versions]
    ours = [MANIFEST, *contents.files, *(path for found in lists for path in found)]
    text = manifest(contents, kind, board)
    changes = [change for name, data in root.items() if (change := _change(target, top, name, data)) is not None]
    free, cluster = target.room()
    plan = Plan(
        contents=contents,
        manifest=text,
        whole=whole,
        runs=runs,
        litter=_litter(target, top, [name for name in versions if name not in stale]),
        leftovers=[name for name in top if name.endswith(NEW) and name[: -len(NEW)] in {*OURS, *root}],
        stale=stale,
        old=[name for name in versions if name not in kept and name not in stale],
        # a slot that says nothing may have lost its place on the medium too: it is made anew
        broken_slots=[name for name in slots.NAMES if name in top and slots.parsed(read[name]) is None and not runs],
        changes=changes,
        away=[(name, _free_name(name, top)) for name in FIRST if name in top and kind == FOR_CIRCUITPYTHON],
        known={part for path in ours for part in path.split("/")},
        bytes_needed=_needed(contents, text, changes, whole, cluster),
        bytes_free=free,
    )
    if plan.bytes_needed > free + sum(_size(target, name, contents, cluster) for name in stale):
        raise TargetError(
            f"{target.where}: is full: {plan.bytes_needed // 1024} KiB are needed and {free // 1024} KiB are free:"
            " take files off it; nothing was written"
        )
    return plan


def _is_version(name: str) -> bool:
    return slots.VERSION.fullmatch(name) is not None


def _litter(target, top: dict, versions: list[str]) -> list[str]:
    """Of the root, lib/ and the versions that are kept; the others are removed with what they have of it."""
    found = [name for name, is_folder in top.items() if not is_folder]
    for folder in ["lib", *(f"{FOLDER}/{name}" for name in versions)]:
        found += [f"{folder}/{path}" for path in paths(target, folder)]
    return sorted(path for path in found if path.rpartition("/")[2].startswith(LITTER))


def _change(target, top: dict, name: str, data: bytes) -> Change | None:
    there = target.read(name)
    if there == data:
        return None
    ours = name not in OURS or there is None or there.startswith(OURS[name])
    block = len(data) == BLOCK and there is not None and len(there) == BLOCK
    return Change(name, data, ours and block, "" if ours else _free_name(name, top))


def _free_name(name: str, top: dict) -> str:
    base = name.removesuffix(".py") + KEPT
    tries = [base, *(f"{base}{number}" for number in range(2, 100))]
    return next(found for found in tries if found not in top)


def _needed(contents: Contents, text: bytes, changes: list[Change], whole: bool, cluster: int) -> int:
    sizes = [len(change.data) for change in changes if not change.in_place]
    if not whole:
        sizes += [len(data) for data in contents.files.values()] + [len(text)]
        folders = {path.rpartition("/")[0] for path in contents.files}
        # a name takes up to 4 entries of 32 bytes
        sizes += [128 * len(contents.files)] + [cluster] * len(folders)
    sizes += [cluster] * (len(slots.NAMES) + SPARE_CLUSTERS)
    return sum(-(-size // cluster) * cluster for size in sizes)


def _size(target, version: str, contents: Contents, cluster: int) -> int:
    """What removing a version will surely give back: files that would be there anyway."""
    found = set(paths(target, f"{FOLDER}/{version}"))
    return sum(-(-len(data) // cluster) * cluster for path, data in contents.files.items() if path in found)


def paths(target, folder: str, above: str = "") -> Iterator[str]:
    """Every file below a folder, by its path from there. What lies too deep is named, and not looked into: a folder
    that a cut left half made may hold itself."""
    for name, is_folder in (target.names(folder) or {}).items():
        if is_folder and above.count("/") < DEPTH_MAX:
            yield from paths(target, f"{folder}/{name}", f"{above}{name}/")
        else:
            yield above + name


def is_free(target, contents: Contents) -> bool:
    """The version's folder can be made: no slot names it, and nothing is in it that we would not remove."""
    named = {slot.version for data in slot_files(target).values() if (slot := slots.parsed(data)) is not None}
    ours = {MANIFEST, *contents.files}
    return contents.version not in named and set(paths(target, contents.home)) <= ours
