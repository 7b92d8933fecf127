"""The command `card`. Law: the card is only read, and what is not on it any more is said by number."""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer
from rich import box
from rich.table import Table

from deploy import printing
from deploy.card_find import CardError, find
from deploy.card_read import Ring
from deploy.export import ExportError, Row, utc, write_csv, write_parquet
from deploy.store import StoreAway, StoreError, open_store
from deploy.store_batch import contents, unfit
from deploy.store_complaint import BROKEN, complain
from deploy.store_spans import listed

HELP = """Read a card: say what is on it, and copy it to a file or into a store.

PATH is the folder where the card is mounted, the .ring file itself, or an image
of a card. No settings file is needed. The card is only read.

\b
Exit status:
  0    every reading of the ring is there
  1    some are lost, or contradict what the store has
  2    there is no ring, or the output cannot be written"""

BATCH = 1000


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command(help=HELP, short_help="Read a card into a file or a store.")(card)


def card(
    path: Annotated[Path, typer.Argument(metavar="PATH", help="A mounted card, a .ring file, or an image.")],
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write the readings as CSV.")] = None,
    parquet: Annotated[Path | None, typer.Option(metavar="FILE", help="Write them as Parquet.")] = None,
    store: Annotated[str | None, typer.Option(metavar="URL", help="Put them into a store, as collect does.")] = None,
) -> None:
    """Find the rings, and send their readings where they are wanted."""
    try:
        rings = [Ring(sectors) for sectors in find(path)]
        channels = list({channel: None for ring in rings for channel in ring.channels})
        wrote = False
        for file, write in ((csv, write_csv), (parquet, write_parquet)):
            if file is not None:
                write(file, _rows(rings), channels)
                wrote = True
        taken = _into_store(store, rings) if store is not None else None
        if not wrote and taken is None:
            for ring in rings:
                for _ in ring.readings():
                    pass
    except (CardError, ExportError) as error:
        complain(str(error))
    except (StoreError, StoreAway) as error:
        complain(f"--store: {error}")
    lines = [line for ring in rings for line in _damage(ring)]
    if taken is not None:
        lines.append(f"Into the store: {taken[0]:,} new, {taken[1]:,} it had already.")
        if taken[2]:
            lines.append(f"Set aside: {taken[2]:,} that contradict what the store has.")
    printing.show([_table(rings)], lines)
    whole = not any(ring.damage.lost or ring.damage.unnamed for ring in rings)
    raise typer.Exit(0 if whole and not (taken and taken[2]) else BROKEN)


def _rows(rings: list[Ring]) -> Iterator[Row]:
    for ring in rings:
        for message in ring.readings():
            yield Row(
                *(message["time_s"], ring.node, None, ring.eui, ring.ring, message["seq"]),
                *(message["uncertainty_s"], message["record_flags"], contents(message)),
            )


def _into_store(where: str, rings: list[Ring]) -> tuple[int, int, int]:
    """(new, had already, set aside)."""
    engine = open_store(where, create=True)
    from deploy.collect_batch import Keeper

    keeper = Keeper(engine)
    stored = repeats = refused = 0
    try:
        for ring in rings:
            for some in _batches(ring):
                kept = keeper.keep_card(some, int(time.time()))
                stored, repeats, refused = stored + kept.stored, repeats + kept.repeats, refused + kept.refused
    finally:
        engine.dispose()
    return stored, repeats, refused


def _batches(ring: Ring) -> Iterator[list[tuple[str, dict]]]:
    some = []
    for message in ring.readings():
        reason = unfit(message)
        if reason:
            raise CardError(f"{ring.name}: reading {message['seq']}: {reason}")
        some.append((ring.node, message))
        if len(some) == BATCH:
            yield some
            some = []
    if some:
        yield some


def _table(rings: list[Ring]) -> Table:
    table = Table(box=box.SIMPLE_HEAD)
    for title in ("Ring", "Node", "Numbers", "Accepted to", "Repaired", "Lost"):
        table.add_column(title, justify="left" if title in ("Ring", "Node", "Numbers") else "right", overflow="fold")
    for ring in rings:
        numbers = f"{ring.first:,} to {ring.head:,}" if ring.head else "none"
        damage = ring.damage
        lost = sum(last - first + 1 for first, last in damage.lost + damage.unnamed)
        rescued = sum(last - first + 1 for first, last in damage.rescued)
        table.add_row(ring.ring, ring.node, numbers, f"{ring.acked_to:,}", f"{rescued:,}", f"{lost:,}")
    return table


def _damage(ring: Ring) -> list[str]:
    damage = ring.damage
    sentences = (
        ("damaged, and had from the sectors behind", damage.rescued),
        ("lost: no sector has them any more", damage.lost),
        ("unreadable: what their channels are is gone", damage.unnamed),
        ("never written: a node passes over numbers after a loss of power", damage.skipped),
    )
    lines = [f"{ring.ring}: {listed(intervals)} {words}" for words, intervals in sentences if intervals]
    if damage.short_sectors:
        lines.append(f"{ring.ring}: the file is {damage.short_sectors:,} sectors short of what it was made with")
    times = [utc(edge) for edge in (ring.from_s, ring.to_s) if edge is not None]
    return [f"{ring.ring}: of chip {ring.eui}{', taken from ' + ' to '.join(times) if times else ''}", *lines]
