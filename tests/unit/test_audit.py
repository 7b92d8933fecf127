"""The audit. Law: what it says is counted from the readings, and each thing that needs somebody is named once."""

import json
import re
import subprocess
import sys

import pytest
import trustme

pytest.importorskip("sqlalchemy", reason="the store needs SQLAlchemy")

from deploy import store_aside, store_health, store_readings
from deploy.audit_overdue import days_left
from deploy.audit_register import RegisterError, parse
from deploy.store import open_store
from deploy.store_names import Names

NORTH, SOUTH = "02a1b2fffec3d4e5", "02a1b2fffec3d4e6"
BEGAN_S = 1_798_761_600  # 2027-01-01
DAY_S = 86_400
COMMAND = """
import typer
from deploy import audit
app = typer.Typer()
app.callback()(lambda: None)
audit.register(app)
app()
"""


def reading(seq, eui=NORTH, ring="5eed1234", time_s=None, uncertainty_s=2, value=None):
    return {
        "device": eui,
        "ring": ring,
        "seq": seq,
        "time_s": BEGAN_S + 600 * seq if time_s is None else time_s,
        "uncertainty_s": uncertainty_s,
        "run": None,
        "run_s": None,
        "record_flags": 0,
        "values": {"temperature": (2000 + seq if value is None else value, -2)},
        "units": {"temperature": "Cel"},
        "flags": {},
    }


@pytest.fixture
def store(tmp_path):
    """take(name, readings, received_s) into a store whose path is take.path."""
    path = tmp_path / "yard.db"
    engine = open_store(str(path), create=True)

    def take(name, messages, received_s):
        with engine.begin() as connection:
            store_readings.take(connection, Names(), [(name, message) for message in messages], received_s)

    take.path, take.engine = path, engine
    yield take
    engine.dispose()


def run(*words):
    return subprocess.run(
        [sys.executable, "-c", COMMAND, "audit", *map(str, words)], capture_output=True, text=True, timeout=60
    )


def audited(store, *words):
    done = run(store.path, "--json", *words)
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)


def test_a_gap_is_certain_and_makes_status_1(store):
    store("north-stack", [reading(seq) for seq in range(1, 101) if seq not in (7, 50, 51, 52)], BEGAN_S + DAY_S)
    done = run(store.path)
    assert done.returncode == 1
    assert "missing 7, 50 to 52" in done.stdout
    assert "96 readings: 4 missing, 0 duplicates" in done.stdout
    assert audited(store)["rings"][0]["missing_intervals"] == [[7, 7], [50, 52]]
    store("north-stack", [reading(seq) for seq in (7, 50, 51, 52)], BEGAN_S + DAY_S)
    assert run(store.path).returncode == 0


def test_late_doubtful_and_repeated_are_counted(store):
    store("north-stack", [reading(1), reading(2)], BEGAN_S + 2000)
    store("north-stack", [reading(2), reading(3)], BEGAN_S + 2 * DAY_S)
    store("north-stack", [reading(4, uncertainty_s=4000)], BEGAN_S + 3000)
    undated = reading(5)
    undated.update(time_s=None, uncertainty_s=None, run=2, run_s=10)
    store("north-stack", [undated], BEGAN_S + 3000)
    ring = audited(store)["rings"][0]
    assert (ring["present"], ring["late"], ring["doubtful"], ring["repeats"]) == (5, 1, 2, 1)
    assert audited(store, "--late-hours", "100")["rings"][0]["late"] == 0
    assert audited(store, "--doubt", "5000")["rings"][0]["doubtful"] == 1


def test_one_reading_under_two_names_is_told(store):
    store("north-stack", [reading(1), reading(2)], BEGAN_S)
    store("north-stack", [reading(9, ring="0a0b0c0d", time_s=BEGAN_S + 1200, value=2002)], BEGAN_S)
    store("north-stack", [reading(8, ring="0a0b0c0d", time_s=BEGAN_S + 600, value=1)], BEGAN_S)
    found = {ring["ring"]: ring["twice"] for ring in audited(store)["rings"]}
    assert found == {"5eed1234": 0, "0a0b0c0d": 1}


def test_a_replaced_board_does_not_blend_two_histories(store):
    store("north-stack", [reading(seq) for seq in range(1, 11)], BEGAN_S)
    store("north-stack", [reading(seq, SOUTH, "00000002") for seq in range(11, 21)], BEGAN_S)
    swap = "2027-01-01T01:45Z"
    done = run(
        store.path,
        *("--register", f"eui={NORTH} place='north stack' from=2026-12-01 to={swap}"),
        *("--register", f"eui={SOUTH} place='north stack' from={swap}"),
    )
    assert done.returncode == 1, "10 readings of the second board never came"
    found = audited(store)
    assert [(one["eui"], one["present"]) for one in found["deployments"]] == [(NORTH, 10), (SOUTH, 10)]
    assert {ring["eui"]: ring["missing"] for ring in found["rings"]} == {NORTH: 0, SOUTH: 10}
    out = store.path.with_name("out.csv")
    run(store.path, "--csv", out)
    assert all(",north stack," in line for line in out.read_text().splitlines()[1:])
    # the first board is not waited for any more
    lines = run(store.path, "--overdue", "--at", "2027-02-01").stdout
    assert SOUTH in lines
    assert NORTH not in lines


def test_a_chip_stands_in_one_place_at_a_time(store):
    entry = f"eui={NORTH} place=mast from=2027-01-01"
    assert run(store.path, "--register", entry).returncode == 0
    done = run(store.path, "--register", f"eui={NORTH} place=shed from=2027-02-01")
    assert done.returncode == 2
    assert "no end yet" in done.stderr
    assert run(store.path, "--register", entry + " to=2027-01-20").returncode == 0
    done = run(store.path, "--register", f"eui={NORTH} place=shed from=2027-01-10 to=2027-01-12")
    assert done.returncode == 2
    assert run(store.path, "--register", f"eui={NORTH} place=shed from=2027-01-20").returncode == 0
    assert [one["place"] for one in audited(store)["deployments"]] == ["mast", "shed"]


@pytest.mark.parametrize(
    "text",
    ["", "eui", "eui=12 place=a from=2027-01-01", f"eui={NORTH} place=a", f"eui={NORTH} place=a from=soon", "'"]
    + [f"eui={NORTH} place=a from=2027-01-02 to=2027-01-01", f"eui={NORTH} place=a from=2027-01-01 colour=red"],
)
def test_an_entry_that_cannot_be_made_is_one_line(text):
    with pytest.raises(RegisterError) as refusal:
        parse(text)
    assert "\n" not in str(refusal.value)


# --- overdue ------------------------------------------------------------------------------------------------------


def test_a_silent_node_is_overdue(store):
    store("north-stack", [reading(1)], BEGAN_S)
    assert run(store.path, "--overdue", "--at", "2027-01-02").returncode == 0
    done = run(store.path, "--overdue", "--at", "2027-01-03")
    assert done.returncode == 1
    assert "north-stack" in done.stdout
    assert run(store.path, "--overdue", "--at", "2027-01-03", "--late-hours", "72").returncode == 0
    run(store.path, "--register", f"eui={SOUTH} place=mast from=2027-01-01")
    done = run(store.path, "--overdue", "--at", "2027-01-03", "--late-hours", "72")
    assert done.returncode == 0, "it was put there two days ago"
    assert "nothing has come" in run(store.path, "--overdue", "--at", "2027-01-05").stdout


def test_a_short_battery_is_overdue(store):
    store("north-stack", [reading(6 * 24 * 10)], BEGAN_S)
    for day in range(10):
        body = json.dumps(
            {"v": 1, "clock": {"state": "known"}, "time": BEGAN_S + day * DAY_S, "battery_mv": 3700 - 10 * day}
        )
        with store.engine.begin() as connection:
            assert store_health.take(connection, "north-stack", store_health.parse(body.encode()), BEGAN_S)
    # 3610 mV on day 9, and 10 mV a day: 3400 mV on day 30
    assert audited(store, "--at", "2027-01-10")["batteries"][0]["days_left"] == 21.0
    assert run(store.path, "--overdue", "--at", "2027-01-10").returncode == 0
    done = run(store.path, "--overdue", "--at", "2027-01-10", "--battery-days", "30")
    assert done.returncode == 1
    assert "about 21 days" in done.stdout
    done = run(store.path, "--overdue", "--at", "2027-01-10", "--battery-empty", "3610")
    assert "battery at 3610 mV" in done.stdout


def test_a_forecast_is_a_straight_line_or_none():
    falling = [(BEGAN_S + day * DAY_S, 4000 - 100 * day) for day in range(5)]
    assert days_left(falling, 3400, BEGAN_S + 4 * DAY_S) == 2.0
    assert days_left(falling, 3900, BEGAN_S + 4 * DAY_S) == 0.0
    assert days_left(falling[:3], 3400, BEGAN_S) is None
    assert days_left([(at_s, 4000) for at_s, _ in falling], 3400, BEGAN_S) is None
    assert days_left([(BEGAN_S + n, 4000 - n) for n in range(9)], 3400, BEGAN_S) is None


def test_a_ca_near_its_end_is_overdue(store, tmp_path):
    store("north-stack", [reading(1)], BEGAN_S)
    file = tmp_path / "ca.pem"
    trustme.CA().cert_pem.write_to_path(file)
    at = ("--overdue", "--late-hours", "999999", "--at")
    assert run(store.path, *at, "2027-01-01", "--ca", file, "--ca-days", "1").returncode == 0
    done = run(store.path, *at, "2027-01-01", "--ca", file, "--ca-days", "9999999")
    assert done.returncode == 1
    assert "ends on" in done.stdout
    assert "ended on" in run(store.path, *at, "3000-01-02", "--ca", file).stdout
    file.write_text("planks")
    assert run(store.path, "--ca", file).returncode == 2


# --- the page -----------------------------------------------------------------------------------------------------


def test_the_page_asks_no_network_and_escapes_names(store, tmp_path):
    store("north-stack", [reading(seq) for seq in range(1, 300) if not 100 < seq < 140], BEGAN_S)
    with store.engine.begin() as connection:
        store_aside.set_aside(connection, [("t", b"", "<script>alert(1)</script>")], BEGAN_S)
    place = "</script><img src=x>"
    out = tmp_path / "audit.html"
    done = run(store.path, "--html", out, "--register", f"eui={NORTH} place='{place}' from=2026-12-01")
    assert done.returncode == 1, done.stderr
    page = out.read_text(encoding="utf-8")
    assert "default-src 'none'" in page
    assert place not in page
    assert "&lt;img" in page
    assert not re.search(r"<(?:script|link|img|iframe)[^>]+(?:src|href)=", page)
    assert "101 to 139" in page
    figures = json.loads(re.search(r'id="figures">(.*?)</script>', page, re.S)[1].replace("\\u003c", "<"))
    assert len(figures) == 2
    values = figures["figure-1"]["data"][0]["y"]
    assert None in values, "the line is broken at the gap"
    assert len([value for value in values if value is not None]) == 260


def test_a_page_of_an_empty_store_says_so(store, tmp_path):
    out = tmp_path / "audit.html"
    assert run(store.path, "--html", out).returncode == 0
    assert "Nothing has come yet" in out.read_text(encoding="utf-8")


@pytest.mark.parametrize("words", [("--late-hours", "nan"), ("--ca-days", "-1"), ("--doubt", "x"), ("--at", "soon")])
def test_a_wrong_number_is_status_2(words, store):
    done = run(store.path, *words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_what_is_no_store_is_one_line_and_status_2(tmp_path):
    (tmp_path / "planks").write_text("oak")
    for path in (tmp_path / "planks", tmp_path / "nowhere", tmp_path):
        done = run(path)
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["planks"]
