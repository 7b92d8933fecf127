"""The certificate that a node trusts. Law: it is judged before the node is carried away, with the reader that the
desk's own TLS uses; a private key is found before it goes onto a board."""

import ssl
from collections.abc import Iterator
from pathlib import Path

from deploy.check_finding import ERROR, WARNING, Finding, Seen

SIZE_MAX = 1 << 16
DAY_S = 86400
NEAR_DAYS = 90
PATH = ("broker", "ca")


def findings(seen: Seen) -> Iterator[Finding]:
    """What is wrong with the file that broker.ca names, looked for where the settings file lies."""
    broker = seen.settings["broker"]
    if not broker["tls"]:
        return
    name = broker["ca"].lstrip("/")
    data, why = _read(seen.folder, name)
    if data is None:
        reason = f"the certificate to trust is not beside this file ({why}): without it no session succeeds"
        yield Finding(WARNING, PATH, reason, "put it there in PEM form, or see that it is on the board")
        return
    if b"PRIVATE KEY" in data:
        reason = "holds a private key: whoever finds the board could pose as its owner"
        yield Finding(ERROR, PATH, reason, "keep the part from BEGIN CERTIFICATE to END CERTIFICATE only")
    yield from _certificates(seen, data)


def _read(folder: Path, name: str) -> tuple[bytes | None, str]:
    try:
        path = folder / name
        if not path.is_file():
            return None, "no such file"
        with path.open("rb") as stream:
            return stream.read(SIZE_MAX), ""
    except OSError as error:
        return None, error.strerror or "cannot be read"
    except ValueError:
        return None, "cannot be the name of a file"


def _certificates(seen: Seen, data: bytes) -> Iterator[Finding]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    count = data.count(b"-----BEGIN CERTIFICATE-----")
    try:
        context.load_verify_locations(cadata=data.decode("ascii"))
    except (ssl.SSLError, ValueError):
        reason = "is no certificate in PEM form: no session would succeed"
        yield Finding(
            ERROR, PATH, reason, "it is text that begins with -----BEGIN CERTIFICATE-----; convert DER to PEM"
        )
        return
    if count > 1:
        reason = f"holds {count} certificates, and MicroPython takes the first only"
        yield Finding(WARNING, PATH, reason, "leave the one that signed the broker's certificate")
    found = context.get_ca_certs()
    if not found:
        reason = "is not the certificate of an authority: whether a node accepts it depends on its TLS library"
        yield Finding(WARNING, PATH, reason, "take the certificate of the authority that signed the broker's")
    for certificate in found:
        yield from _times(seen, certificate)


def _times(seen: Seen, certificate: dict) -> Iterator[Finding]:
    begins_s = ssl.cert_time_to_seconds(certificate["notBefore"])
    ends_s = ssl.cert_time_to_seconds(certificate["notAfter"])
    left_days = (ends_s - seen.now_epoch_s) / DAY_S
    end = _day(certificate["notAfter"])
    renew = "take a new certificate along; on a board only a visit changes it"
    if left_days <= 0:
        yield Finding(ERROR, PATH, f"ended on {end}: no session would succeed", "put the new certificate here")
    elif begins_s > seen.now_epoch_s:
        reason = f"begins on {_day(certificate['notBefore'])} only: until then no session succeeds"
        yield Finding(WARNING, PATH, reason, "see that the computer's clock is right, or wait")
    elif left_days < max(NEAR_DAYS, seen.settings["must_last_days"]):
        days = int(left_days)
        reason = f"ends on {end}, in {days} day{'' if days == 1 else 's'}: from then on no session succeeds"
        yield Finding(WARNING, PATH, reason, renew)


def _day(told: str) -> str:
    """ "Jan  5 09:34:43 2018 GMT" -> "5 Jan 2018"."""
    month, day, _, year, _ = told.split()
    return f"{day} {month} {year}"
