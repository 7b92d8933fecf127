"""The command `collect`. Law: what it is given is used or refused before it begins; no password is shown."""

import hashlib
import re
import socket
import ssl
from pathlib import Path
from typing import Annotated

import typer

from deploy import printing
from deploy.collect_show import Show
from deploy.store import StoreAway, StoreError, open_store
from deploy.store_complaint import complain

HELP = """Take the readings from the broker into a store, each one once.

Runs until it is interrupted, or with --until-idle until nothing comes any more.
It may be stopped, killed and started at any time: what it has not stored comes
again, and what is missing it asks the nodes for. docs/collect.md has the tables."""


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command(help=HELP, short_help="Take the readings from the broker into a store.")(collect)


def collect(
    broker: Annotated[str, typer.Option(metavar="HOST:PORT", help="The MQTT broker that the nodes send to.")],
    store: Annotated[str, typer.Option(metavar="URL", help="A file's path, or postgresql://USER@HOST/DATABASE.")],
    ca: Annotated[Path | None, typer.Option(metavar="FILE", help="Speak TLS, and trust this certificate.")] = None,
    username: Annotated[str | None, typer.Option(metavar="NAME", help="User at the broker.")] = None,
    password_file: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Its first line is the user's password.")
    ] = None,
    group: Annotated[
        str | None, typer.Option(metavar="NAME", help="Share the readings with other collectors of this group.")
    ] = None,
    client_id: Annotated[
        str | None, typer.Option("--id", metavar="NAME", help="One for each collector; else from host and store.")
    ] = None,
    until_idle: Annotated[
        float | None, typer.Option(metavar="SECONDS", help="End when nothing has come for so long.")
    ] = None,
) -> None:
    """Read the command line's words, open both ends, and collect."""
    host, port = _address(broker)
    if group is not None and not re.fullmatch(r"[A-Za-z0-9_.-]{1,64}", group):
        complain("--group: letters, digits, - . _ and at most 64 of them")
    if client_id is not None and not re.fullmatch(r"[A-Za-z0-9_.-]{1,64}", client_id):
        complain("--id: letters, digits, - . _ and at most 64 of them")
    if until_idle is not None and not 0.1 <= until_idle <= 86400:
        complain("--until-idle: must be a number of seconds from 0.1 to 86400")
    certificate = _certificate(ca)
    password = _password(password_file, username)
    try:
        from deploy.collect_run import collect_into
        from deploy.collect_session import Account, BrokerAway

        engine = open_store(store, create=True)
    except (StoreError, StoreAway) as error:
        complain(f"--store: {error}")
    account = Account(host, port, client_id or _own_id(store, group), certificate, username, password, group)
    if password is not None and ca is None:
        printing.say("note: without --ca the password crosses the network for everybody to read")
    show = Show()
    try:
        collect_into(store, engine, account, show, until_idle)
    except BrokerAway as error:
        complain(f"--broker {broker}: {error}")
    except (StoreError, StoreAway) as error:
        complain(f"--store: {error}")
    except KeyboardInterrupt:
        complain("interrupted twice: what was not stored yet will come again")
    finally:
        show.close()
        engine.dispose()
    printing.show([], [show.line()])


def _address(text: str) -> tuple[str, int]:
    # the text is not repeated: people paste addresses with a user and a password in them
    found = re.fullmatch(r"(?:\[([0-9A-Fa-f:.]{2,45})\]|([A-Za-z0-9_.-]{1,253})):([0-9]{1,5})", text)
    if found is None or not 0 < int(found[3]) < 65536:
        complain("--broker: must be HOST:PORT, such as localhost:1883 or [::1]:1883")
    return found[1] or found[2], int(found[3])


def _certificate(ca: Path | None) -> ssl.SSLContext | None:
    """A context that trusts this certificate alone, and only for the host that was named."""
    if ca is None:
        return None
    try:
        return ssl.create_default_context(cadata=ca.read_text(encoding="ascii"))
    except (OSError, ValueError) as error:
        complain(f"--ca {ca}: {getattr(error, 'strerror', None) or 'no certificate in PEM form'}")


def _password(file: Path | None, username: str | None) -> str | None:
    if file is None:
        return None
    if username is None:
        complain("--password-file: needs --username")
    try:
        with file.open(encoding="utf-8") as stream:
            password = stream.readline(65536).rstrip("\r\n")
    except (OSError, ValueError) as error:
        complain(f"--password-file {file}: {getattr(error, 'strerror', None) or 'is not UTF-8 text'}")
    if not password:
        complain(f"--password-file {file}: its first line is empty")
    return password


def _own_id(store: str, group: str | None) -> str:
    """The same one after each start, so that the broker knows the session; 17 characters suit every broker."""
    place = store if "://" in store else str(Path(store).resolve())
    text = "\n".join((socket.gethostname(), place, group or ""))
    return "desk-" + hashlib.sha256(text.encode(errors="surrogateescape")).hexdigest()[:12]
