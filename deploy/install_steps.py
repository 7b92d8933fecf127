"""Carries a plan out. Law: before the slot is written, whatever ran runs; after it, the new version does, whole.

Each step is on the medium before the next begins: clusters that one step frees are free on the medium before another
writes into them.
"""

from deploy import install_slots as slots
from deploy.install_contents import FOLDER, MANIFEST
from deploy.install_plan import DEPTH_MAX, LAST, LITTER, NEW, SETTINGS, Change, Plan, slot_files
from deploy.install_target import TargetError


def carry_out(target, plan: Plan, progress=lambda share: None) -> list[str]:
    """Put the plan on the board; returns lines for a person. progress(share): from 0 to 1 while files are copied.

    Raises TargetError where the board does not hold what was written, OSError where it cannot be written.
    """
    _clean(target, plan)
    if not plan.whole:
        _copy(target, plan, progress)
    before = [change for change in plan.changes if change.name not in LAST and not _replaces_settings(target, change)]
    after = [change for change in plan.changes if change not in before]
    _change_root(target, before)
    if not plan.whole:
        verify(target, plan.contents.home, plan.contents.digests())
    if not plan.runs:
        _switch(target, plan)
    _change_root(target, after)
    for name, kept in plan.away:
        target.move(name, kept)
    stays = _remove_versions(target, plan.old, plan.known)
    target.sync()
    target.fresh()
    verify(target, plan.contents.home, plan.contents.digests())
    for change in plan.changes:
        if target.read(change.name) != change.data:
            raise TargetError(_wrong(target, change.name))
    return [f"{FOLDER}/{version} holds files that are not ours, and stays" for version in stays]


def verify(target, home: str, digests: dict[str, str]) -> None:
    """Raises TargetError for the first file that does not read back as it was written."""
    for path, digest in digests.items():
        if target.digest(f"{home}/{path}") != digest:
            raise TargetError(_wrong(target, f"{home}/{path}"))


def _wrong(target, path: str) -> str:
    return (
        f"{target.where}: {path} does not read back as it was written: check the file system (docs/install.md), and"
        " run the same command again"
    )


def _replaces_settings(target, change: Change) -> bool:
    return change.name == SETTINGS and target.read(SETTINGS) is not None


def _clean(target, plan: Plan) -> None:
    for path in [*plan.litter, *plan.leftovers, *plan.broken_slots]:
        target.remove(path)
    _remove_versions(target, plan.stale, plan.known)
    target.sync()
    if plan.runs:
        return
    target.make_folder(FOLDER)
    for name in slots.NAMES:
        if target.read(name) is None:
            target.create(name, slots.EMPTY)
    target.sync()


def _remove_versions(target, versions: list[str], known: set[str]) -> list[str]:
    """Those that are still there."""
    return [version for version in versions if not _remove(target, f"{FOLDER}/{version}", known)]


def _remove(target, folder: str, known: set[str]) -> bool:
    """True when the folder is gone. A folder that a cut left half made may list anything: only known names go."""
    gone = True
    for name, is_folder in (target.names(folder) or {}).items():
        path = f"{folder}/{name}"
        if name not in known and not name.startswith(LITTER) or path.count("/") > DEPTH_MAX + 2:
            gone = False
        elif is_folder:
            gone = _remove(target, path, known) and gone
        else:
            target.remove(path)
    if gone:
        target.remove_folder(folder)
    return gone


def _copy(target, plan: Plan, progress) -> None:
    home = plan.contents.home
    files = {**plan.contents.files, MANIFEST: plan.manifest}
    made = set()
    for path in [home, *(f"{home}/{path}" for path in files)]:
        parts = path.split("/")[: None if path == home else -1]
        for depth in range(2, len(parts) + 1):
            folder = "/".join(parts[:depth])
            if folder not in made:
                target.make_folder(folder)
                made.add(folder)
    for count, (path, data) in enumerate(files.items()):
        target.create(f"{home}/{path}", data)
        progress((count + 1) / len(files))
    target.sync()
    target.fresh()


def _change_root(target, changes: list[Change]) -> None:
    for change in changes:
        if change.in_place:
            target.overwrite(change.name, change.data)
        elif target.read(change.name) is None:
            folder = change.name.rpartition("/")[0]
            if folder:
                target.make_folder(folder)
            target.create(change.name, change.data)
        else:
            new = change.name + NEW
            target.create(new, change.data)
            # the new one is whole before the old one gives way
            target.sync()
            if change.keep_as:
                target.move(change.name, change.keep_as)
            target.move(new, change.name)
        target.sync()


def _switch(target, plan: Plan) -> None:
    name, text = slots.next_write(slot_files(target), plan.contents.version)
    target.overwrite(name, text)
    target.sync()
    target.fresh()
    if target.read(name) != text:
        raise TargetError(_wrong(target, name))
