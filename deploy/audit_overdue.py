"""What needs somebody to act. Law: a silent node, a short battery and a CA that ends are named.

The battery's forecast is a straight line through the voltages of its last days; a lithium cell falls faster near its
end, so the limit is where the node switches its radio off, and a margin is wanted.
"""

import ssl
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import func, select

from deploy.export import utc
from deploy.store_schema import deployments, health, nodes, readings, rings

DAY_S = 86_400
FORECAST_DAYS = 14
POINTS_MIN = 4
SPAN_DAYS_MIN = 1.0


@dataclass(frozen=True)
class Limits:
    """From when on something is overdue."""

    late_s: int
    battery_days: float
    battery_empty_mv: int
    ca_days: float


def batteries(connection, limits: Limits, now_s: int) -> list[dict]:
    """The last battery voltage of each chip, and in how many days it reaches the limit (None: not to be told)."""
    found = []
    for node in connection.execute(select(nodes).order_by(nodes.c.name, nodes.c.eui)).all():
        at_s = func.coalesce(health.c.time_s, health.c.heard_s)
        rows = connection.execute(
            select(at_s.label("at_s"), health.c.battery_mv)
            .where(health.c.node_id == node.id, health.c.battery_mv.isnot(None))
            .order_by(at_s.desc())
            .limit(5000)
        ).all()
        if rows:
            points = [(row.at_s, row.battery_mv) for row in rows if row.at_s >= rows[0].at_s - FORECAST_DAYS * DAY_S]
            found.append(
                {
                    "node": node.name,
                    "eui": node.eui,
                    "battery_mv": rows[0].battery_mv,
                    "at": utc(rows[0].at_s),
                    "days_left": days_left(points, limits.battery_empty_mv, now_s),
                }
            )
    return found


def days_left(points: list[tuple[int, int]], empty_mv: int, now_s: int) -> float | None:
    """Days from now until a straight line through (epoch_s, mV) reaches empty_mv; None where it does not fall."""
    if len(points) < POINTS_MIN:
        return None
    mean_s = sum(at_s for at_s, _ in points) / len(points)
    mean_mv = sum(mv for _, mv in points) / len(points)
    spread = sum((at_s - mean_s) ** 2 for at_s, _ in points)
    span_s = max(at_s for at_s, _ in points) - min(at_s for at_s, _ in points)
    if span_s < SPAN_DAYS_MIN * DAY_S:
        return None
    slope = sum((at_s - mean_s) * (mv - mean_mv) for at_s, mv in points) / spread
    if slope >= 0:
        return None
    return max(0.0, round((mean_s + (empty_mv - mean_mv) / slope - now_s) / DAY_S, 1))


def overdue(connection, found: list[dict], limits: Limits, ca: Path | None, now_s: int) -> list[str]:
    """One line for each thing that needs somebody. found: as batteries() gives it."""
    lines = _silent(connection, limits, now_s)
    retired = _retired(connection, now_s)
    for battery in found:
        if battery["eui"] in retired:
            continue
        who = f"{battery['node']} (chip {battery['eui']})"
        if battery["battery_mv"] <= limits.battery_empty_mv:
            lines.append(f"{who}: battery at {battery['battery_mv']} mV, the limit is {limits.battery_empty_mv} mV")
        elif battery["days_left"] is not None and battery["days_left"] < limits.battery_days:
            lines.append(
                f"{who}: battery down to {limits.battery_empty_mv} mV in about {battery['days_left']:g} days"
            )
    if ca is not None:
        lines += _ca(ca, limits, now_s)
    return lines


def _retired(connection, now_s: int) -> set[str]:
    """Chips that have been deployed, and stand nowhere now."""
    rows = connection.execute(select(deployments.c.eui, deployments.c.from_s, deployments.c.to_s)).all()
    standing = {row.eui for row in rows if row.from_s <= now_s and (row.to_s is None or row.to_s > now_s)}
    return {row.eui for row in rows} - standing


def _silent(connection, limits: Limits, now_s: int) -> list[str]:
    newest_s = func.max(func.coalesce(readings.c.time_s, readings.c.received_s))
    rows = connection.execute(
        select(nodes.c.name, nodes.c.eui, newest_s.label("newest_s"))
        .join(rings, rings.c.node_id == nodes.c.id)
        .join(readings, readings.c.ring_id == rings.c.id)
        .group_by(nodes.c.id)
        .order_by(nodes.c.name, nodes.c.eui)
    ).all()
    retired = _retired(connection, now_s)
    lines = [
        f"{row.name} (chip {row.eui}): late, the newest reading is of {utc(row.newest_s)}"
        for row in rows
        if row.eui not in retired and now_s - row.newest_s > limits.late_s
    ]
    heard = {row.eui for row in rows}
    standing = connection.execute(select(deployments).where(deployments.c.from_s <= now_s - limits.late_s)).all()
    lines += [
        f"{row.place} (chip {row.eui}): late, nothing has come since it was put there on {utc(row.from_s)}"
        for row in standing
        if row.eui not in heard and (row.to_s is None or row.to_s > now_s)
    ]
    return lines


class CaError(ValueError):
    """The file is no certificate; str() is one line."""


def _ca(file: Path, limits: Limits, now_s: int) -> list[str]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    try:
        context.load_verify_locations(cadata=file.read_text(encoding="ascii"))
    except (OSError, ValueError) as error:
        raise CaError(f"{file}: {getattr(error, 'strerror', None) or 'no certificate in PEM form'}") from None
    found = context.get_ca_certs()
    if not found:
        raise CaError(f"{file}: holds no certificate of an authority")
    lines = []
    for certificate in found:
        ends_s = ssl.cert_time_to_seconds(certificate["notAfter"])
        if ends_s - now_s < limits.ca_days * DAY_S:
            verb = "ended" if ends_s <= now_s else "ends"
            lines.append(f"{file}: {verb} on {utc(ends_s)}; nodes that trust it alone cannot deliver after that")
    return lines
