"""The table of faults. Law: it shows every figure that was kept, and none that was not made."""

import os
import subprocess
import sys
import time
from dataclasses import asdict
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

import bench_faults  # noqa: E402 - the folders of tests are no packages
import faults_kept  # noqa: E402
import faults_parts  # noqa: E402
import faults_table  # noqa: E402
from cuts_plain import Row  # noqa: E402

from hostsim.storm_sum import READINGS  # noqa: E402

TREE = faults_parts.tree
PAGE = (
    b"# Page\r\n| `card-torn` | no |\n\n<!-- figures: begin -->\nold\n<!-- figures: end -->\ntail without a line end"
)
ROWS = (
    Row("every write of the run", "dropped", cuts=1002, stored=119_744),
    Row("every write of the run", "torn", cuts=1002, stored=119_744),
    Row("every write of the run", "0xFF", cuts=1002, stored=119_744),
    Row("real FAT", "ones", cuts=7, stored=70),
    Row("real FAT", "torn", cuts=7, stored=70),
    Row("real FAT", "dropped", cuts=7, stored=70),
    Row("a unit gone", "8 MiB ring", cuts=128, stored=5000, lost=3883, bound=8107, person=2),
)


def storms_of(first, end, broken=(), lost=0, **more):
    """Figures of storms as the command writes them; one node-day each. broken: (seed, invariant)."""
    count = end - first
    readings = {**dict.fromkeys(READINGS, 0), "stored": 1000 * count + lost, "delivered": 1000 * count, "lost": lost}
    entries = [
        {"seed": seed, "broken": [{"id": number, "node": "n", "t_s": 1}], "traces": [], "crashed": None}
        for seed, number in broken
    ]
    figures = {"seeds": [first, end], "days": 1.0, "storms": count, "nodes": count, "node_days": float(count)}
    figures |= {"wakes": 150 * count, "due": 144 * count, "missed": count, "readings": readings, "failed": entries}
    return figures | {"faults": {"card-torn": count}, "outages": {"broker mute": 2 * count}, **more}


def fuzz_of(findings=()):
    row = {"target": "toml", "engine": "own", "seconds": 9, "executions": 1234, "coverage": 5, "unit": "lines"}
    return {"schema": 1, "targets": [{**row, "seed": 0, "corpus": 3, "findings": list(findings), "told": ""}]}


class Maker:
    """Makes pieces at once. status: {part: of its pieces}; refuse: words of commands that raise what is given."""

    def __init__(self, status=None, refuse=None):
        self.status, self.refuse = status or {}, refuse or {}
        self.asked = []

    def __call__(self, piece):
        self.asked.append(piece.command)
        for words, error in self.refuse.items():
            if words in piece.command:
                raise error
        if piece.part == "storms":
            figures = faults_parts.named(storms_of(*map(int, piece.argv[piece.argv.index("--seeds") + 1].split(":"))))
        else:
            figures = fuzz_of() if piece.part == "fuzz" else {"readings": 1000, "rows": [asdict(row) for row in ROWS]}
        made = {
            "part": piece.part,
            "command": piece.command,
            "key": piece.key,
            "status": self.status.get(piece.part, 0),
        }
        made |= {"commit": "abc1234", "changes": False, "sources": faults_parts.tree(piece.part)[2], "wall_s": 60.0}
        return made | {"processors": 2, "python": "CPython 3.13.0", "figures": figures}


@pytest.fixture(autouse=True)
def tree(monkeypatch):
    """Sources that stay as they are, whoever works on them; set tree["digest"] to change them."""
    state = {"digest": "0123"}
    monkeypatch.setattr(faults_parts, "tree", lambda part: ("abc1234", False, state["digest"]))
    return state


@pytest.fixture
def page(tmp_path):
    file = tmp_path / "page.md"
    file.write_bytes(PAGE)
    return file


@pytest.fixture
def run(page, capsys):
    """The command in this process: (status, standard output, standard error)."""

    def run(*words, made=None):
        try:
            status = bench_faults.main([str(word) for word in words], page, made or Maker())
        except SystemExit as error:
            status = error.code
        return status, *capsys.readouterr()

    return run


def rows_of(text):
    """{first cell: the further ones} of all rows of all tables."""
    lines = [[cell.strip() for cell in line.strip("|").split("|")] for line in text.split("\n") if line[:1] == "|"]
    return {line[0]: line[1:] for line in lines}


def kept(*storms, **status):
    """Pieces of all parts."""
    make = Maker(status)
    pieces = [make(piece) for piece in faults_parts.planned(("cuts", "fuzz"), (1, 2), 1.0, 1, 9, False)]
    for figures in storms:
        piece = faults_parts.planned(("storms",), tuple(figures["seeds"]), 1.0, 1, 9, False)[0]
        pieces.append({**make(piece), "figures": faults_parts.named(figures)})
    return pieces


def test_figures_are_sums_over_all_pieces():
    rows = rows_of(faults_table.table(kept(storms_of(1, 11), storms_of(11, 31))))
    assert rows["cuts tried"] == ["3,155", "of 3 kinds; one is each write of a run of 1,000 readings"]
    assert rows["lost beyond the bound"][0] == "0"
    assert rows["lost within the bound"][:2] == ["3,883", "at most 8,107; which ones, below"]
    assert rows["storms"] == ["30", "seeds 1:31, 1 days each, on the runtime fast"]
    assert rows["node-months"] == ["1.0", "30 days of life of 30 nodes"]
    assert (rows["delivered"][0], rows["lost"][0], rows["slots due"][0]) == ("30,000", "0", "4,320")
    assert rows["faults"][0] == "90"
    assert rows["inputs tried"][0] == "1,234"


def test_what_is_lost_beyond_the_bound_of_one_row_is_not_made_good_by_another():
    pieces = kept(storms_of(1, 2))
    pieces[0]["figures"]["rows"][0] |= {"lost": 3, "two_contents": 1}
    text = faults_table.table(pieces)
    rows = rows_of(text)
    assert (rows["lost beyond the bound"][0], rows["lost within the bound"][0]) == ("3", "3,883")
    assert rows["two contents"][0] == "1"
    assert "| every write of the run | dropped | 1,002 | 119,744 | 3 | 0 | 1 | 0 |" in text


def test_ways_without_a_loss_share_a_row_whatever_their_names():
    text = faults_table.table(kept())
    assert "| every write of the run | each of the 3 | 3,006 | 359,232 | 0 | 0 | 0 |" in text
    assert "| real FAT | each of the 3 | 21 | 210 | 0 | 0 | 0 |" in text


def test_a_breach_shows_its_seeds():
    broken = storms_of(1, 11, broken=[(3, 5), (7, 5), (7, 1)], lost=2)
    broken["failed"].append({"seed": 9, "broken": [], "traces": ["Traceback"], "crashed": None})
    rows = rows_of(faults_table.table(kept(broken, storms_of(11, 12, broken=[(11, 5)]))))
    assert rows["invariants broken"][0] == "4"
    assert rows["invariant 5"] == ["3", "storms: seeds 3, 7, 11"]
    assert rows["invariant 1"] == ["1", "storms: seed 7"]
    assert rows["unknown errors"] == ["1", "storms: seed 9"]
    assert rows["lost"][0] == "2"


def test_seeds_that_were_not_lived_through_show():
    text = faults_table.table(kept(storms_of(1, 11), storms_of(21, 31)))
    assert rows_of(text)["storms"] == ["20", "seeds 1:11, 21:31, 1 days each, on the runtime fast"]
    assert text.count("torpor rehearse --storm --seeds") == 2
    assert "--seeds 1:21 " in faults_table.table(kept(storms_of(1, 11), storms_of(11, 21)))


def test_each_name_has_its_count_also_one_that_never_came():
    text = faults_table.table(kept(storms_of(1, 11), storms_of(11, 16)))
    assert "card-torn 15," in text
    assert "card-removed 0," in text
    assert "- broker: " in text
    assert "mute 30," in text
    assert "- time server: " in text


def test_no_row_takes_the_place_of_a_fault_s_own():
    assert not [line for line in faults_table.table(kept(storms_of(1, 2))).split("\n") if line.startswith("| `")]


def test_it_says_of_which_tree_it_is():
    pieces = kept(storms_of(1, 2))
    assert faults_table.table(pieces).startswith("Made from commit abc1234.\n")
    pieces[1]["changes"] = True
    assert "Made from commit abc1234 (cuts, storms); commit abc1234 with changes (fuzz)." in faults_table.table(
        pieces
    )
    for piece in pieces:
        piece["commit"] = None
    assert faults_table.table(pieces).startswith("Made from sources without a commit.\n")


def test_wall_times_stand_below_what_is_the_same_on_each_machine():
    above, _, below = faults_table.table(kept(storms_of(1, 2))).partition("### What depends on the machine")
    assert "60 s" in below
    assert "CPython" in below
    assert "60 s" not in above
    assert "CPython" not in above


@pytest.mark.parametrize(("status", "code"), [({}, 0), ({"cuts": 1}, 1), ({"storms": 1}, 1), ({"fuzz": 1}, 1)])
def test_a_run_s_own_status_is_the_one_that_counts(run, tmp_path, status, code):
    file = tmp_path / "kept.json"
    assert run("--json", file, made=Maker(status))[0] == code
    made_anew = run("--from", file)
    assert made_anew[0] == code
    assert "| **power cuts** |  |  |" in made_anew[1]


def test_only_what_is_between_the_markers_changes(run, page, tmp_path):
    file = tmp_path / "kept.json"
    faults_kept.save(file, kept(storms_of(1, 2)))
    status, out, _ = run("--from", file, "--write")
    before, rest = PAGE.split(b"\nold\n")
    assert status == 0
    assert page.read_bytes() == before + b"\n" + out.encode() + rest
    run("--from", file, "--write")
    assert page.read_bytes() == before + b"\n" + out.encode() + rest
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(
    "text",
    [
        PAGE.replace(b"<!-- figures: begin -->", b""),
        PAGE.replace(b"<!-- figures: end -->", b""),
        PAGE + b"<!-- figures: end -->",
        b"<!-- figures: end -->\n<!-- figures: begin -->",
    ],
)
def test_a_page_without_its_markers_is_left_alone_before_anything_runs(run, page, text):
    page.write_bytes(text)
    make = Maker()
    status, out, err = run("--write", made=make)
    assert (status, out, err.count("\n"), make.asked) == (2, "", 1, [])
    assert page.read_bytes() == text


def test_a_part_joins_those_that_are_kept(run, tmp_path):
    file = tmp_path / "kept.json"
    status, out, _ = run("--only", "fuzz", "--json", file)
    assert status == 0
    assert "| **storms** | not made |  |" in out
    make = Maker()
    _, out, _ = run("--only", "cuts", "--only", "storms", "--seeds", "1:1001", "--days", 1, "--json", file, made=make)
    assert [command.split(" --")[0] for command in make.asked] == ["python tests/bench/bench_cuts.py"] + [
        "torpor rehearse"
    ] * 3
    assert "not made" not in out
    assert rows_of(out)["storms"][0] == "1,000"
    # made anew, a part takes the place of what was there
    _, out, _ = run("--only", "storms", "--seeds", "5:9", "--days", 1, "--json", file)
    assert rows_of(out)["storms"] == ["4", "seeds 5:9, 1 days each, on the runtime fast"]
    assert rows_of(out)["inputs tried"][0] == "1,234"


def test_an_interruption_loses_the_piece_at_work_alone(run, tmp_path, tree):
    file = tmp_path / "kept.json"
    words = ("--seeds", "1:1201", "--days", 1, "--json", file)
    status, out, err = run(*words, made=Maker(refuse={"--seeds 401:801": KeyboardInterrupt()}))
    assert (status, out) == (130, "")
    assert "interrupted" in err
    assert [piece["part"] for piece in faults_kept.load(file)] == ["cuts", "storms"]
    make = Maker()
    status, out, _ = run(*words, "--go-on", "--jobs", 7, made=make)
    assert status == 0
    assert [command.split()[4] for command in make.asked if "torpor" in command] == ["401:801", "801:1201"]
    assert len(make.asked) == 3
    assert rows_of(out)["storms"] == ["1,200", "seeds 1:1201, 1 days each, on the runtime fast"]
    # of other sources nothing is taken over
    tree["digest"] = "4567"
    make = Maker()
    run(*words, "--go-on", made=make)
    assert len(make.asked) == 5


def test_what_was_not_made_is_said_and_the_others_go_on(run, tmp_path):
    file = tmp_path / "kept.json"
    make = Maker(refuse={"bench_cuts": faults_parts.NotMade("cuts: no")})
    status, out, err = run("--seeds", "1:5", "--json", file, made=make)
    assert status == 2
    assert "bench_faults: cuts: no\n" in err
    assert "| **power cuts** | not made |  |" in out
    assert [piece["part"] for piece in faults_kept.load(file)] == ["storms", "fuzz"]


@pytest.mark.parametrize(
    "words",
    [
        ("--seeds", "5"),
        ("--seeds", "5:5"),
        ("--days", "0"),
        ("--days", "nan"),
        ("--jobs", "0"),
        ("--fuzz-seconds", "0"),
        ("--only", "weather"),
        ("--go-on",),
        ("--from", "no.json"),
        ("--from", "no.json", "--quick"),
    ],
)
def test_bad_use_runs_nothing(run, words):
    make = Maker()
    status, out, err = run(*words, made=make)
    assert (status, out, make.asked) == (2, "", [])
    assert err


@pytest.mark.parametrize("text", ["", "[]", '{"schema": 1, "pieces": [{}]}', '{"schema": 2, "pieces": []}'])
def test_another_s_file_is_left_alone(run, tmp_path, text):
    file = tmp_path / "kept.json"
    file.write_text(text)
    make = Maker()
    for words in (("--from", file), ("--json", file)):
        status, out, err = run(*words, made=make)
        assert (status, out, err.count("\n"), make.asked) == (2, "", 1, [])
    assert file.read_text() == text


def test_the_usual_run_has_each_seed_once_and_each_write_of_a_thousand_readings():
    pieces = faults_parts.planned(faults_parts.PARTS, (1, 3401), 14.0, 2, 120, False)
    ranges = [list(map(int, piece.argv[6].split(":"))) for piece in pieces if piece.part == "storms"]
    assert [seed for first, end in ranges for seed in range(first, end)] == list(range(1, 3401))
    assert "--quick" not in pieces[0].argv
    assert "--vm" in pieces[0].argv
    assert all(piece.limit_s > 0 for piece in pieces)


def test_a_tree_with_changes_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(faults_parts, "ROOT", tmp_path)
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    for name in ("firmware/a.py", "hostsim/b.py", "tests/c.py", "docs/faults.md"):
        file = tmp_path / name
        file.parent.mkdir()
        file.write_text(name)
    assert TREE("storms")[:2] == (None, False)
    for words in (["init", "-q"], ["add", "."], ["commit", "-q", "-m", "first"]):
        subprocess.run(["git", "-c", "user.name=x", "-c", "user.email=x", *words], cwd=tmp_path, check=True)
    commit, changes, digest = TREE("storms")
    assert (len(commit) >= 7, changes) == (True, False)
    # neither the page of the table nor, for storms, a test makes other figures
    (tmp_path / "docs/faults.md").write_text("a table")
    (tmp_path / "tests/c.py").write_text("more")
    assert TREE("storms") == (commit, False, digest)
    assert TREE("cuts")[1] is True
    (tmp_path / "hostsim/b.py").write_text("more")
    assert TREE("storms")[:2] == (commit, True)
    assert TREE("storms")[2] != digest
    # a file that nobody added counts as well
    subprocess.run(["git", "checkout", "-q", "hostsim"], cwd=tmp_path, check=True)
    (tmp_path / "hostsim/new.py").write_text("")
    assert TREE("storms")[:2] == (commit, True)
    assert TREE("storms")[2] != digest


def child(text, limit_s=30.0):
    argv = (sys.executable, "-c", f"import sys, json\nfile = sys.argv[-1]\n{text}")
    return faults_parts.Piece("fuzz", "it", "it", argv, limit_s)


def test_a_child_s_figures_and_status_are_kept():
    made = faults_parts.made(child("json.dump({'targets': []}, open(file, 'w')); sys.exit(1)"))
    assert (made["status"], made["figures"], made["changes"]) == (1, {"targets": []}, False)


def test_a_change_while_it_ran_is_a_change(tree, monkeypatch):
    digests = iter("ab")
    monkeypatch.setattr(faults_parts, "tree", lambda part: ("abc1234", False, next(digests)))
    assert faults_parts.made(child("json.dump({}, open(file, 'w'))"))["changes"] is True


@pytest.mark.parametrize(
    "text",
    [
        "sys.exit(1)",
        "open(file, 'w').write('{'); sys.exit(1)",
        "json.dump({}, open(file, 'w')); sys.exit(2)",
        "json.dump({}, open(file, 'w')); import os; os.kill(os.getpid(), 9)",
    ],
)
def test_what_did_not_end_with_figures_is_no_figure(text):
    with pytest.raises(faults_parts.NotMade, match="^it: ended with status [^\n]*$"):
        faults_parts.made(child(text))


def test_what_does_not_end_is_ended_with_its_children(tmp_path, monkeypatch):
    monkeypatch.setattr(faults_parts, "END_S", 0.5)
    told = tmp_path / "pid"
    deaf = "import os, signal, time; signal.signal(signal.SIGINT, signal.SIG_IGN)"
    inner = f"{deaf}; open({str(told)!r}, 'w').write(str(os.getpid())); time.sleep(60)"
    text = f"{deaf}\nimport subprocess\nsubprocess.run([sys.executable, '-c', {inner!r}])"
    with pytest.raises(faults_parts.NotMade, match="not over after 2 s"):
        faults_parts.made(child(text, limit_s=2.0))
    end_s = time.monotonic() + 5
    while alive(int(told.read_text())) and time.monotonic() < end_s:
        time.sleep(0.05)
    assert not alive(int(told.read_text()))


def alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # one that has ended and that nobody has asked after is still there
    status = Path(f"/proc/{pid}/stat")
    return not status.exists() or status.read_text().rpartition(")")[2].split()[0] != "Z"


def test_storms_and_a_fuzzer_say_what_the_table_reads(capfd):
    """The real commands, as short as they go."""
    storms = faults_parts.planned(("storms",), (1, 3), 0.1, 1, 1, True)[0]
    argv = (sys.executable, "tests/fuzz/fuzz.py", "sntp", "--seconds", "1", "--engine", "own")
    fuzzer = faults_parts.Piece("fuzz", "fuzz", "fuzz", argv, 60.0)
    text = faults_table.table([faults_parts.made(storms), faults_parts.made(fuzzer)])
    assert rows_of(text)["storms"] == ["2", "seeds 1:3, 0.1 days each, on the runtime fast"]
    assert rows_of(text)["findings"][0] == "0"
