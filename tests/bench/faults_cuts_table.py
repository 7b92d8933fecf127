"""The cuts in the table of docs/faults.md. Law: a way in which something was lost stands in a row of its own."""

RUN = "every write of the run"
# the FAT card's names of what the plain device has, too
SAME = {"ones": "0xFF", "group-8": "8 trashed", "group-32": "32 trashed"}
# a column that is zero throughout is a row of the first table already
ALWAYS = (("cuts", "cuts"), ("stored", "stored"), ("lost", "lost"), ("bound", "may be"))
AT_NEED = (("two_contents", "twice"), ("stuck", "stuck"), ("beside", "beside"), ("person", "person"))


def cut_rows(rows: list[dict], readings: int) -> list[tuple]:
    """Rows of the first table. rows: as bench_cuts.py has them; readings: stored in the run that is cut."""
    beyond = sum(max(0, row["lost"] - row["bound"]) for row in rows)
    within = sum(min(row["lost"], row["bound"]) for row in rows)
    kinds, modes = len({row["what"] for row in rows}), card_modes(rows)
    return [
        ("cuts tried", _sum(rows, "cuts"), f"of {kinds} kinds; one is each write of a run of {readings:,} readings"),
        ("damage modes", len(modes), f"of a card's write: {', '.join(modes)}; others below"),
        ("readings stored", _sum(rows, "stored"), "before each cut, summed"),
        ("lost beyond the bound", beyond, "the bound: what has no copy elsewhere, reckoned from the places alone"),
        ("lost within the bound", within, f"at most {_sum(rows, 'bound'):,}; which ones, below"),
        ("two contents", _sum(rows, "two_contents"), "numbers that were used twice"),
        ("stuck", _sum(rows, "stuck"), "the node did not go on, or something was left to mend"),
    ]


def cuts_by_kind(rows: list[dict]) -> tuple:
    """What is cut, and how: (heads, rows, sides) of a table."""
    columns = [*ALWAYS, *(column for column in AT_NEED if any(row[column[0]] for row in rows))]
    grouped: dict[tuple, list[dict]] = {}
    for row in rows:
        grouped.setdefault((row["what"], _kind(row)), []).append(row)
    places = list(dict.fromkeys(row["what"] for row in rows))
    lines = []
    for (what, _), group in sorted(grouped.items(), key=lambda item: places.index(item[0][0])):
        how = [SAME.get(row["mode"], row["mode"]) for row in group]
        alike = sorted(how) == sorted(card_modes(rows)) and len(how) > 2
        way = f"each of the {len(how)}" if alike else "; ".join(how)
        lines.append((what, way, *(_sum(group, key) for key, _ in columns)))
    return ("power cuts", "how", *(head for _, head in columns)), lines, "ll" + "r" * len(columns)


def _kind(row: dict):
    """Ways that share a row: those with nothing to tell, and those that only hurt the file system."""
    if any(row[key] for key in ("lost", "bound", "two_contents", "stuck")):
        return row["mode"]
    return bool(row["beside"] or row["person"])


def card_modes(rows: list[dict]) -> list[str]:
    """The ways in which a card's write is cut."""
    return [row["mode"] for row in rows if row["what"] == RUN]


def _sum(rows: list[dict], key: str) -> int:
    return sum(row[key] for row in rows)
