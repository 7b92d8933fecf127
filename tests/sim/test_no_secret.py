"""Secrets. Law: no password and no private key stands in anything that leaves a board, a rehearsal or the desk.

Passwords are planted in the settings, everything goes wrong that can, and then all that was put out is searched for
them. On-chip memory is left out: the last good settings live there, and that is where they belong. What a node says
to a broker without TLS is left out too: CONNECT has the broker's password in it, for everybody on the way to read.
"""

import json
import shutil
import sqlite3
import subprocess
import sys

import pytest

from hostsim import broker, radio, rehearse, timeserver
from hostsim.fault_names import FAULTS
from hostsim.scenario import DEFAULT
from hostsim.scenario_text import ScenarioError
from hostsim.secrecy import secrets

PLANTED = {
    "twelve-planks-high": "zwölf-bretter-hoch",
    "slow-and-even-heat": r"quote\"and\\backslash",  # as TOML and JSON write it
    "only-while-he-is-here": "9f3b77aa01c4",
}
# the brokers' passwords; one is too short to be looked for everywhere by a judge
BROKERS = {"north-stack": "larch-and-spruce", "south-stack": "b0x7", "yard-mast": "Kiefer&Lärche"}
DAYS = 8
LIMIT_S = 120
TORPOR = (sys.executable, "-c", "from deploy import cli; cli.main()")


def planted_yard(folder):
    """A copy of the bundled yard with these passwords; (its path, every form that a password could get out in)."""
    shutil.copytree(DEFAULT.parent, folder)
    texts = {path: path.read_text(encoding="utf-8") for path in folder.glob("*.toml")}
    for before, after in PLANTED.items():
        texts = {path: text.replace(before, after) for path, text in texts.items()}
    for name, password in BROKERS.items():
        path = folder / f"{name}.toml"
        texts[path] = texts[path].replace("larch-and-spruce", password)
    for path, text in texts.items():
        path.write_text(text, encoding="utf-8")
    plain = [*PLANTED.values(), *BROKERS.values()]
    plain[1] = json.loads(f'"{plain[1]}"')
    forms = set()
    for text in plain:
        as_json = json.dumps(text)[1:-1], json.dumps(text, ensure_ascii=False)[1:-1]
        forms.update(form.encode() for form in (text, repr(text)[1:-1], *as_json))
        forms.update((text.encode("utf-16-le"), text.encode("latin-1"), text.encode().hex().encode()))
    return folder, forms


def troubled(folder):
    """Every trouble that there is, again and again."""
    path = folder / "scenario.toml"
    text = path.read_text(encoding="utf-8")
    start = text.index("[broker]")
    lines = ["[broker]", "outage = ["]
    lines += [f'{{ kind = "{kind}", per_day = 0.3, lasts_h = 1.5 }},' for kind in broker.KINDS]
    lines += ["]", "[time_server]", "outage = ["]
    lines += [f'{{ kind = "{kind}", per_day = 0.2, lasts_h = 2 }},' for kind in timeserver.BEHAVIOURS]
    lines += ["]"]
    for name, kind in FAULTS.items():
        lines += ["[[fault]]", f'name = "{name}"', "per_day = 0.3", "lasts_h = 1" if kind.lasting else ""]
    text = text[:start] + "\n".join(lines) + "\n"
    outages = ", ".join(f'{{ kind = "{kind}", per_day = 0.15, lasts_h = 1 }}' for kind in radio.KINDS)
    pieces = text.split("outage = [\n    { from_day", 1)
    head, tail = pieces[0], pieces[1][pieces[1].index("\n]\n") + 3 :]
    path.write_text(f"{head}outage = [{outages}]\n{tail}", encoding="utf-8")


def found_in(data, forms):
    return [form for form in forms if form in data]


def files(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def lived(folder, out):
    """A rehearsal of it; (it, every payload at the broker)."""
    run = rehearse.Rehearsal(rehearse.load(folder, days=DAYS), str(folder))
    payloads = []
    published = rehearse.World.arrived

    def arrived(self, topic, payload, *more, **others):
        payloads.append(topic.encode() + b" " + payload)
        return published(self, topic, payload, *more, **others)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rehearse.World, "arrived", arrived)
        run.run(out)
    return run, payloads


def put_out(run, payloads, out):
    """{what it is: its bytes} of all that a rehearsal leaves behind."""
    world = run.world
    found = {str(path): data for path, data in files(out).items()}
    found["payloads"] = b"\n".join(payloads)
    found["exceptions"] = "\n".join(run.traces).encode()
    found["evidence"] = repr([entry.evidence for entry in world.invariants.all.values()]).encode()
    found["at the broker"] = repr(world.broker.retained).encode() + repr(world.broker.violations).encode()
    for node in world.nodes:
        found[f"retained memory of {node.name}"] = bytes(node.retained)
        sectors = (node.card.peek(sector) for sector in range(node.card.sectors))
        found[f"card of {node.name}"] = b"".join(bytes(sector) for sector in sectors if sector is not None)
    return found


def test_whatever_goes_wrong_nothing_gets_out(tmp_path):
    folder, forms = planted_yard(tmp_path / "yard")
    troubled(folder)
    run, payloads = lived(folder, tmp_path / "out")
    told = put_out(run, payloads, tmp_path / "out")
    assert len(payloads) > 1000
    assert sum(len(data) for name, data in told.items() if name.startswith("card")) > 512 * 3 * 500
    assert {path.name for path in files(tmp_path / "out")} == {"events.jsonl", "report.html", "report.json"}
    assert {name: found_in(data, forms) for name, data in told.items() if found_in(data, forms)} == {}
    assert run.world.invariants.all[7].state == "held"
    # trouble there was
    befell = {name for node in run.world.nodes for name in node.faults.seen}
    assert len(befell) > len(FAULTS) / 2
    # and where the settings are kept, there they are
    assert any(found_in(slot, forms) for node in run.world.nodes for slot in node.nvm)


@pytest.mark.parametrize("of", ["network", "broker"])
def test_a_leak_would_be_seen(of, tmp_path, monkeypatch):
    """A firmware that put a password into its health message."""
    from torpor import health

    folder, forms = planted_yard(tmp_path / "yard")
    message = health.message

    def leaky(r, ring, now, choice, network_name, *rest):
        found = choice.settings["network"][0] if of == "network" else choice.settings["broker"]
        return message(r, ring, now, choice, found["password"], *rest)

    monkeypatch.setattr(health, "message", leaky)
    monkeypatch.setattr(sys.modules[__name__], "DAYS", 0.2)
    run, payloads = lived(folder, tmp_path / "out")
    told = put_out(run, payloads, tmp_path / "out")
    assert found_in(told["payloads"], forms)
    entry = run.world.invariants.all[7]
    assert entry.state == "broken"
    # each of the three nodes has one, the short one too
    seen = {name for name in BROKERS if any(name.encode() in p and found_in(p, forms) for p in payloads)}
    assert seen == set(BROKERS)
    assert not found_in(entry.evidence.encode(), forms)


def command(*words):
    done = subprocess.run([*TORPOR, *map(str, words)], capture_output=True, timeout=LIMIT_S, check=False)
    return done.returncode, done.stdout + done.stderr


BREAKS = {
    "not closed": lambda text, secret: text.replace(f'"{secret}"', f'"{secret}', 1),
    "no quotes": lambda text, secret: text.replace(f'"{secret}"', secret, 1),
    "twice": lambda text, secret: text.replace(f'password = "{secret}"', f'password = "{secret}"\n' * 2, 1),
    "a key beside it": lambda text, secret: text.replace(f'password = "{secret}"', f'pass = "{secret}"', 1),
    "in the wrong place": lambda text, secret: text.replace(
        "sample_every_s = 600", f'sample_every_s = "{secret}"', 1
    ),
    "as the host": lambda text, secret: text.replace("tls = true", f'tls = "{secret}"', 1),
}


def test_the_command_line_says_none_either(tmp_path):
    folder, forms = planted_yard(tmp_path / "yard")
    status, said = command("rehearse", folder, "--days", "0.1", "--out", tmp_path / "out")
    assert status in (0, 1), said
    assert not found_in(said, forms)


@pytest.mark.parametrize("way", BREAKS)
def test_nor_does_it_repeat_one_from_a_file_that_is_wrong(way, tmp_path):
    folder, forms = planted_yard(tmp_path / "yard")
    path = folder / "north-stack.toml"
    secret = BROKERS["north-stack"]
    broken = BREAKS[way](path.read_text(encoding="utf-8"), secret)
    assert broken.count(secret) > 0
    path.write_text(broken, encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        rehearse.load(folder)
    assert not found_in(str(caught.value).encode(), forms)
    status, said = command("check", path)
    assert status in (1, 2), said
    assert not found_in(said, forms)


def desk(*words):
    return subprocess.Popen([*TORPOR, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)


def test_nothing_from_the_air_to_the_audit_s_page(mosquitto_port, tmp_path):
    """A real broker, the collector as a process, its store, and all that the audit puts out."""
    pytest.importorskip("sqlalchemy", reason="the store needs SQLAlchemy")
    folder, forms = planted_yard(tmp_path / "yard")
    store, out, secret = tmp_path / "yard.db", tmp_path / "out", tmp_path / "secret"
    secret.write_text(BROKERS["yard-mast"] + "\n", encoding="utf-8")
    account = ("--username", "desk", "--password-file", secret)
    collecting = desk(
        "collect", "--broker", f"127.0.0.1:{mosquitto_port}", "--store", store, *account, "--until-idle", 3
    )
    first = collecting.stdout.readline() + collecting.stdout.readline()
    assert b"collecting from" in first, first
    run = rehearse.Rehearsal(rehearse.load(folder, days=0.5), str(folder), broker=("127.0.0.1", mosquitto_port))
    run.run(out)
    told = {str(path): data for path, data in files(out).items()}
    told["collect"] = first + collecting.communicate(timeout=LIMIT_S)[0]
    assert collecting.returncode == 0, told["collect"]
    page, csv = tmp_path / "audit.html", tmp_path / "audit.csv"
    status, told["audit"] = command("audit", store, "--html", page, "--csv", csv)
    assert status in (0, 1), told["audit"]
    told["audit as JSON"] = command("audit", store, "--json")[1]
    told["page"], told["csv"] = page.read_bytes(), csv.read_bytes()
    told["store"] = b"".join(path.read_bytes() for path in tmp_path.glob("yard.db*"))
    with sqlite3.connect(store) as connection:
        assert connection.execute("SELECT count(*) FROM readings").fetchone()[0] >= 3 * 72
    assert {name: found_in(data, forms) for name, data in told.items() if found_in(data, forms)} == {}


@pytest.mark.parametrize("kind", ["good", "wrong-ca"])
def test_no_private_key_goes_anywhere(kind, mosquitto_tls, tmp_path):
    folder, forms = planted_yard(tmp_path / "yard")
    port, ca = mosquitto_tls(kind)
    key = (ca.parent / f"{kind}.key").read_bytes().splitlines()
    forms |= {b"PRIVATE KEY", *(line for line in key if len(line) > 40)}
    run = rehearse.Rehearsal(rehearse.load(folder, days=0.25), str(folder), broker=("127.0.0.1", port), ca_file=ca)
    run.run(tmp_path / "out")
    assert run.results["nodes"][0]["sessions"]["tried"] > 3
    told = put_out(run, [], tmp_path / "out")
    assert {name: found_in(data, forms) for name, data in told.items() if found_in(data, forms)} == {}


def test_what_a_judge_looks_for():
    short = secrets({"broker": {"password": "b0x7"}, "network": [{"ssid": "shed", "password": "eight-or-more"}]})
    assert set(short) == {b'"b0x7"', b"'b0x7'", b"eight-or-more"}
    # a unit, a key, a name that is not secret, or what is no word: nobody could tell them apart
    for password in ("Cel", "vs", "shed", "north", ",", '":"', ""):
        taken = {"node": "north", "broker": {"password": password}, "network": [{"ssid": "shed"}]}
        assert secrets(taken) == [], password
