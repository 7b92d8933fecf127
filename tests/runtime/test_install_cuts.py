"""An install that is cut at any write, in order and reordered: the old or the new firmware boots, never a mixture.

A board is a FAT image written by FatFs, the file system of the boards; the real MicroPython VM says what boots.
"In order" is a cut after each sector. "Reordered" lets each sector that was written since the last sync have any of
the contents that it had in the meantime, or still the one from before: any order, with any write left out.
"""

import random
import shutil
import subprocess

import install_bench as bench
import pytest

from deploy import install_slots as slots

OLD, NEW = bench.ran("old"), bench.ran("new")
SEEDS = 40


@pytest.fixture
def board(tmp_path):
    """A board on which the old version runs, and another was before it."""
    path = bench.new_image(tmp_path / "board.img")
    bench.put(path, bench.contents("older"))
    bench.put(path, bench.contents("old"))
    assert bench.boots(path) == OLD
    return path


def cuts(before, log):
    """The image after each write, in order."""
    image = bytearray(before)
    yield 0, image
    for number, entry in enumerate(log):
        if entry is not None:
            bench.apply(image, [entry])
            yield number + 1, image


def windows(log):
    """[writes before, writes between two syncs]."""
    done, window = [], []
    for entry in [*log, None]:
        if entry is not None:
            window.append(entry)
        elif window:
            yield list(done), window
            done += window
            window = []


def mixed(window, chance):
    """For each sector any of what it held in this window, or nothing."""
    by_sector = {}
    for sector, data in window:
        by_sector.setdefault(sector, [None]).append(data)
    picked = [(sector, chance.choice(versions)) for sector, versions in by_sector.items()]
    return [(sector, data) for sector, data in picked if data is not None]


def test_the_bench_boots_what_was_installed_and_sees_a_mixture(board):
    bench.put(board, bench.contents("new"))
    assert bench.boots(board) == NEW
    home = bench.contents("new").home
    bench.write_file(board, f"{home}/lib/driver.py", b"FROM = 'elsewhere'\n")
    assert bench.boots(board) == "ran new new elsewhere new"


def test_cut_after_each_write_in_order(board, tmp_path):
    before, log = bench.recorded(board, bench.contents("new"))
    seen = []
    cut = tmp_path / "cut.img"
    for _, image in cuts(before, log):
        cut.write_bytes(image)
        seen.append(bench.boots(cut))
    assert set(seen) == {OLD, NEW}
    # one write decides, and nothing goes back behind it
    assert seen == sorted(seen, key=[OLD, NEW].index)
    assert len(seen) > 60


def test_cut_with_the_writes_since_the_last_sync_in_any_order(board, tmp_path):
    before, log = bench.recorded(board, bench.contents("new"))
    cut = tmp_path / "cut.img"
    seen = set()
    for number, (done, window) in enumerate(windows(log)):
        for seed in range(SEEDS):
            image = bytearray(before)
            bench.apply(image, done)
            bench.apply(image, mixed(window, random.Random(f"{number} {seed}")))
            cut.write_bytes(image)
            said = bench.boots(cut)
            assert said in (OLD, NEW), (number, seed, said)
            seen.add(said)
    assert seen == {OLD, NEW}


def test_without_the_syncs_it_would_be_a_mixture_or_nothing(board, tmp_path):
    """The test above can fail: the slot's write before the files' own is what the syncs are against."""
    before, log = bench.recorded(board, bench.contents("new"))
    writes = [entry for entry in log if entry is not None]
    slot = next(at for at, (_, data) in enumerate(writes) if data.startswith(b"0000000"))
    image = bytearray(before)
    bench.apply(image, writes[: slot // 2] + [writes[slot]])
    cut = tmp_path / "cut.img"
    cut.write_bytes(image)
    assert bench.boots(cut) not in (OLD, NEW)


def test_the_next_run_finishes_what_a_cut_left(board, tmp_path):
    before, log = bench.recorded(board, bench.contents("new"))
    cut = tmp_path / "cut.img"
    for number, image in cuts(before, log):
        if number % 3:
            continue
        cut.write_bytes(image)
        bench.put(cut, bench.contents("new"))
        assert bench.boots(cut) == NEW, number


def test_after_a_reordered_cut_and_a_look_at_the_file_system_the_next_run_finishes(board, tmp_path):
    if shutil.which("fsck.vfat", path="/usr/sbin:/sbin:/usr/bin:/bin") is None:
        pytest.skip("fsck.vfat (dosfstools) is not installed")
    before, log = bench.recorded(board, bench.contents("new"))
    cut = tmp_path / "cut.img"
    for number, (done, window) in enumerate(windows(log)):
        for seed in range(3):
            image = bytearray(before)
            bench.apply(image, done)
            bench.apply(image, mixed(window, random.Random(f"{number} {seed}")))
            cut.write_bytes(image)
            subprocess.run(["/usr/sbin/fsck.vfat", "-a", "-w", cut], capture_output=True, check=False)
            assert bench.boots(cut) in (OLD, NEW), (number, seed)
            bench.put(cut, bench.contents("new"))
            assert bench.boots(cut) == NEW, (number, seed)


def test_another_selector_is_one_sector_in_place(board, tmp_path):
    """main.py itself changes between the versions: still the old or the new one at every write."""
    changed = bench.root()["main.py"].replace(b"except Exception as error", b"except Exception as reason")
    changed = changed.replace(b", error)", b", reason)")[: len(changed) - 2].ljust(512, b"\n")
    before, log = bench.recorded(board, bench.contents("new"), bench.root(main=changed))
    cut = tmp_path / "cut.img"
    for number, image in cuts(before, log):
        cut.write_bytes(image)
        assert bench.boots(cut) in (OLD, NEW), number
    assert bench.boots(board) == NEW


def test_over_a_firmware_that_was_copied_by_hand(tmp_path):
    path = bench.new_image(tmp_path / "board.img")
    for name, data in bench.contents("old").files.items():
        bench.write_file(path, name.replace("lib/", "lib/"), data)
    for name, data in bench.root().items():
        bench.write_file(path, name, data)
    assert bench.boots(path) == OLD
    before, log = bench.recorded(path, bench.contents("new"))
    cut = tmp_path / "cut.img"
    for number, image in cuts(before, log):
        cut.write_bytes(image)
        assert bench.boots(cut) in (OLD, NEW), number


def test_over_a_program_of_somebody_elses_which_is_kept(tmp_path):
    """FAT has no way to put a file in the place of another at once: between two writes there is no main.py."""
    path = bench.new_image(tmp_path / "board.img")
    bench.write_file(path, "main.py", b"print('somebody else')\n")
    before, log = bench.recorded(path, bench.contents("new"))
    cut = tmp_path / "cut.img"
    seen = []
    for _, image in cuts(before, log):
        cut.write_bytes(image)
        seen.append(bench.boots(cut))
        if seen[-1] == "nothing":
            again = tmp_path / "again.img"
            again.write_bytes(image)
            bench.put(again, bench.contents("new"))
            assert bench.boots(again) == NEW
    assert set(seen) <= {"somebody else", "nothing", NEW}
    assert seen.count("nothing") <= 2
    target = bench.Image(path)
    assert target.read("main.before") == b"print('somebody else')\n"
    target.close()


def test_a_blank_board(tmp_path):
    path = bench.new_image(tmp_path / "board.img")
    before, log = bench.recorded(path, bench.contents("new"), bench.root(b'node = "north-stack"\n'))
    cut = tmp_path / "cut.img"
    for number, image in cuts(before, log):
        cut.write_bytes(image)
        assert bench.boots(cut) in ("nothing", NEW), number
        if number % 4 == 0:
            bench.put(cut, bench.contents("new"))
            assert bench.boots(cut) == NEW, number


def test_new_settings_are_whole_at_every_cut(board, tmp_path):
    text = b'node = "north-stack"\n' + b"# as it was\n" * 100
    bench.write_file(board, "settings.toml", text)
    after = text.replace(b"was", b"is ")
    before, log = bench.recorded(board, bench.contents("new"), bench.root(after))
    cut = tmp_path / "cut.img"
    absent = 0
    for number, image in cuts(before, log):
        cut.write_bytes(image)
        target = bench.Image(cut)
        found = target.read("settings.toml")
        target.close()
        assert found in (text, after, None), number
        absent += found is None
    # between the removal of the old name and the new one: the node has its last good settings then
    assert absent <= 4


def test_the_whole_firmware_at_cuts_drawn_at_random(tmp_path):
    """The real one, with its folders and several hundred files' worth of writes: what the slot names is whole."""
    made = bench.install_contents.gathered("micropython", [], None)
    again = bench.install_contents.gathered("micropython", [], None, salt=1)
    path = tmp_path / "board.img"
    bench.install_image_disk.make(path, 8)
    bench.put(path, made)
    before, log = bench.recorded(path, again)
    assert sum(entry is not None for entry in log) > 600
    chance = random.Random(1)
    cut = tmp_path / "cut.img"
    seen = set()
    for done, window in windows(log):
        for _ in range(8):
            image = bytearray(before)
            bench.apply(image, done)
            bench.apply(image, mixed(window, chance))
            cut.write_bytes(image)
            target = bench.Image(cut)
            _, now = slots.newest(bench.install_plan.slot_files(target))
            contents = {made.version: made, again.version: again}[now.version]
            assert bench.install_plan.is_whole(target, contents)
            target.close()
            seen.add(now.version)
    assert seen == {made.version, again.version}
