"""The command `audit`. Law: what it says of a reading it has counted in the store, and it changes no reading."""

import json
import time
from pathlib import Path
from typing import Annotated

import typer

from deploy import printing
from deploy.audit_table import lines_of, tables_of
from deploy.export import ExportError, write_csv, write_parquet, write_text
from deploy.store import StoreAway, StoreError, open_store, reads
from deploy.store_complaint import BROKEN, complain

HELP = """Say of each node what a store has of it, and what it lacks.

A missing reading is certain: its number is below the newest one, and it is not
there. STORE is what was given to collect: a file's path, or a database's URL.

\b
Exit status:
  0    nothing is missing; with --overdue: and nothing needs you
  1    readings are missing or there twice; with --overdue instead: a node is
       late, a battery runs short, or the CA is near its end
  2    STORE is no store, or a file cannot be written"""


NUMBER_MAX = 10_000_000


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command(help=HELP, short_help="Say what a store has of each node, and what it lacks.")(audit)


def audit(
    store: Annotated[str, typer.Argument(metavar="STORE", help="A file's path, or a database's URL.")],
    overdue: Annotated[bool, typer.Option("--overdue", help="Only what needs somebody, for cron.")] = False,
    late_hours: Annotated[
        float, typer.Option(metavar="HOURS", help="From when on a node or reading is late.")
    ] = 26.0,
    doubt: Annotated[int, typer.Option(metavar="SECONDS", help="How unsure a time may be.")] = 300,
    battery_days: Annotated[float, typer.Option(metavar="DAYS", help="How long a battery has to last yet.")] = 14.0,
    battery_empty: Annotated[int, typer.Option(metavar="MV", help="Where a battery counts as empty.")] = 3400,
    ca: Annotated[Path | None, typer.Option(metavar="FILE", help="The certificate that the nodes trust.")] = None,
    ca_days: Annotated[float, typer.Option(metavar="DAYS", help="How long it has to be valid yet.")] = 30.0,
    enter: Annotated[
        list[str] | None,
        typer.Option("--register", metavar="ENTRY", help='"eui=... place=... from=TIME [to=TIME]": who stood where.'),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of a table.")] = False,
    html: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a page with plots, for offline too.")
    ] = None,
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write all readings as CSV.")] = None,
    parquet: Annotated[Path | None, typer.Option(metavar="FILE", help="Write all readings as Parquet.")] = None,
    at: Annotated[
        str | None, typer.Option(metavar="TIME", help="As if it were this time, such as 2027-03-01T08:00Z.")
    ] = None,
) -> None:
    """Look at the store, and say so in the form that is wanted."""
    numbers = (("--late-hours", late_hours), ("--battery-days", battery_days), ("--ca-days", ca_days))
    for option, number in (*numbers, ("--doubt", doubt), ("--battery-empty", battery_empty)):
        if not 0 <= number <= NUMBER_MAX:
            complain(f"{option}: must be a number from 0 to {NUMBER_MAX}")
    try:
        engine = open_store(store)
    except (StoreError, StoreAway) as error:
        complain(str(error))
    from deploy.audit_overdue import CaError, Limits
    from deploy.audit_register import RegisterError, parse
    from deploy.audit_register import register as note

    try:
        now_s = _moment(at)
        entries = [parse(text) for text in enter or []]
        limits = Limits(int(late_hours * 3600), battery_days, battery_empty, ca_days)
        noted = []
        if entries:
            with engine.begin() as connection:
                noted = [note(connection, entry) for entry in entries]
        found = _look(engine, limits, doubt, ca, now_s)
        _files(engine, found, html, csv, parquet)
    except (StoreError, StoreAway, ExportError, CaError) as error:
        complain(str(error))
    except RegisterError as error:
        complain(f"--register: {error}")
    finally:
        engine.dispose()
    if as_json:
        printing.show([], [json.dumps(found, indent=1)])
    elif overdue:
        printing.show([], found["overdue"] or ["nothing is overdue"])
    else:
        printing.show(tables_of(found), noted + lines_of(found))
    wrong = found["overdue"] if overdue else any(ring["missing"] or ring["twice"] for ring in found["rings"])
    raise typer.Exit(BROKEN if wrong else 0)


def _moment(at: str | None) -> int:
    from deploy.audit_register import RegisterError, moment

    try:
        return moment(at, "--at") if at is not None else int(time.time())
    except RegisterError as error:
        complain(str(error))


def _look(engine, limits, doubt_s: int, ca: Path | None, now_s: int) -> dict:
    from deploy import audit_facts, audit_overdue

    with reads(engine) as connection:
        found = audit_facts.facts(connection, limits.late_s, doubt_s, now_s)
        found["batteries"] = audit_overdue.batteries(connection, limits, now_s)
        found["overdue"] = audit_overdue.overdue(connection, found["batteries"], limits, ca, now_s)
    return found


def _files(engine, found: dict, html: Path | None, csv: Path | None, parquet: Path | None) -> None:
    if html is not None:
        from deploy.audit_page import page

        with reads(engine) as connection:
            write_text(html, page(found, connection))
    if csv is None and parquet is None:
        return
    from deploy import export_store

    with reads(engine) as connection:
        channels = export_store.channel_list(connection)
        for file, write in ((csv, write_csv), (parquet, write_parquet)):
            if file is not None:
                write(file, export_store.rows(connection), channels)
