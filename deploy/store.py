"""Opening a store. Law: what is not a store of this version is left as it is, and said so in one line.

A store is a SQLite file (a path, or sqlite:///path) or a PostgreSQL database (postgresql://...). SQLAlchemy is an
extra (pip install 'torpor[store]'), and is imported when a store is opened.
"""

import re
from contextlib import contextmanager
from pathlib import Path

BUSY_S = 30
CONNECT_S = 10
SQLITE_MAGIC = b"SQLite format 3\0"


class StoreError(Exception):
    """The store cannot be used; str() is one line, without any password."""


class StoreAway(Exception):
    """The database does not answer now, and may later; str() is one line, without any password."""


def open_store(where: str, create: bool = False):
    """The SQLAlchemy engine of a store whose schema has been looked at.

    where: a URL or a path. create: make it where there is none. Raises StoreError, StoreAway.
    """
    try:
        from sqlalchemy import exc
    except ImportError:
        raise StoreError("a store needs SQLAlchemy: pip install 'torpor[store]'") from None

    url = _url(where)
    shown = url.render_as_string(hide_password=True)
    if url.drivername == "sqlite":
        shown = url.database
        _look_at_file(url.database, create)
    engine = _engine(url, shown)
    try:
        _look_at_schema(engine, shown, create)
    except exc.OperationalError as error:
        engine.dispose()
        raise StoreAway(f"{shown}: {reason(error)}") from None
    except exc.DBAPIError as error:
        engine.dispose()
        raise StoreError(f"{shown}: {reason(error)}") from None
    except BaseException:
        engine.dispose()
        raise
    return engine


@contextmanager
def reads(engine):
    """A connection that only reads, and holds no writer up. Raises StoreAway, StoreError."""
    from sqlalchemy import exc

    try:
        with engine.connect().execution_options(reads_only=True) as connection:
            yield connection
    except exc.OperationalError as error:
        raise StoreAway(reason(error)) from None
    except exc.DBAPIError as error:
        raise (StoreAway if error.connection_invalidated else StoreError)(reason(error)) from None


def reason(error) -> str:
    """What the database says, in one line."""
    lines = str(getattr(error, "orig", None) or error).strip().splitlines()
    return lines[0] if lines else type(error).__name__


def _url(where: str):
    from sqlalchemy import URL, exc, make_url

    if not re.match(r"[a-z0-9+]+://", where):
        if not where or "\0" in where:
            raise StoreError("a store is a file's path, sqlite:///PATH or postgresql://USER@HOST/DATABASE")
        return URL.create("sqlite", database=where)
    try:
        url = make_url(where)
    except (exc.ArgumentError, ValueError):
        # not repeated: there may be a password in it
        raise StoreError("the store's URL cannot be read") from None
    kind = url.drivername.partition("+")[0]
    if kind == "sqlite" and url.database and url.database != ":memory:":
        return url.set(drivername="sqlite", query={})
    if kind in ("postgresql", "postgres"):
        query = {"connect_timeout": str(CONNECT_S), **url.query}
        return url.set(drivername="postgresql+psycopg", query=query)
    raise StoreError("a store is a file's path, sqlite:///PATH or postgresql://USER@HOST/DATABASE")


def _look_at_file(path: str, create: bool) -> None:
    """SQLite would make a file of any name, and take over an empty one: only where that is wanted."""
    file = Path(path)
    try:
        if file.is_dir():
            raise StoreError(f"{path}: is a folder, not a store")
        if not file.exists():
            if not create:
                raise StoreError(f"{path}: there is no such store")
            if not file.parent.is_dir():
                raise StoreError(f"{path}: there is no folder {file.parent}")
            return
        with file.open("rb") as stream:
            start = stream.read(len(SQLITE_MAGIC))
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror}") from None
    if start != SQLITE_MAGIC and not (create and not start):
        raise StoreError(f"{path}: is no store (and was left as it is)")


def _engine(url, shown: str):
    from sqlalchemy import create_engine, event, exc

    if url.drivername != "sqlite":
        try:
            # what other collectors have committed has to be seen by the next statement
            return create_engine(url, pool_size=2, isolation_level="READ COMMITTED")
        except (ImportError, exc.NoSuchModuleError):
            raise StoreError("PostgreSQL needs its driver: pip install 'torpor[postgresql]'") from None
    engine = create_engine(url, connect_args={"timeout": BUSY_S})

    @event.listens_for(engine, "connect")
    def connected(raw, _record) -> None:
        # the driver's own habit of beginning transactions late would let two writers wait for each other
        raw.isolation_level = None
        # acknowledged means that it is on the disk
        raw.execute("PRAGMA synchronous = FULL")
        raw.execute("PRAGMA cache_size = -32768")

    @event.listens_for(engine, "begin")
    def begin(connection) -> None:
        wish = connection.get_execution_options().get("reads_only")
        connection.exec_driver_sql("BEGIN" if wish else "BEGIN IMMEDIATE")

    return engine


def _look_at_schema(engine, shown: str, create: bool) -> None:
    from sqlalchemy import inspect, select

    from deploy.store_schema import VERSION, meta, metadata

    tables = set(inspect(engine).get_table_names())
    if not tables & set(metadata.tables) and create:
        if tables and engine.dialect.name == "sqlite":
            raise StoreError(f"{shown}: is a database of something else (and was left as it is)")
        _make(engine)
        tables = set(inspect(engine).get_table_names())
    if meta.name not in tables:
        raise StoreError(f"{shown}: is no store (and was left as it is)")
    with engine.connect().execution_options(reads_only=True) as connection:
        if {column["name"] for column in inspect(connection).get_columns(meta.name)} != {"key", "value"}:
            raise StoreError(f"{shown}: is no store (and was left as it is)")
        version = connection.execute(select(meta.c.value).where(meta.c.key == "schema")).scalar()
    if version is None:
        raise StoreError(f"{shown}: is no store (and was left as it is)")
    if version != str(VERSION):
        raise StoreError(f"{shown}: is a store of version {version}, and this torpor knows {VERSION}: left as it is")
    if set(metadata.tables) - tables:
        raise StoreError(f"{shown}: is a store that lacks {', '.join(sorted(set(metadata.tables) - tables))}")


def _make(engine) -> None:
    """All tables in one transaction; where another collector was faster, its tables do."""
    from sqlalchemy import text

    from deploy.store_schema import VERSION, VIEW, VIEW_PARTS, meta, metadata

    sqlite = engine.dialect.name == "sqlite"
    if sqlite:
        with engine.connect() as connection:
            # readers do not hold up the writer; kept in the file, and not to be changed within a transaction
            connection.connection.dbapi_connection.execute("PRAGMA journal_mode = WAL")
    with engine.begin() as connection:
        if not sqlite:
            # "torpor" in ASCII: whoever makes the tables holds this lock until they are there
            connection.execute(text("SELECT pg_advisory_xact_lock(128022010163058)"))
        metadata.create_all(connection)
        if connection.execute(meta.select()).first() is None:
            connection.execute(text(VIEW.format(**VIEW_PARTS[engine.dialect.name])))
            connection.execute(meta.insert(), [{"key": "schema", "value": str(VERSION)}])
