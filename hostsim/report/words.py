"""Numbers and lengths of time in words.

Law: what is not known is told as not known, never as nothing.
"""


def number(value, digits: int = 0) -> str:
    """1234.5 -> '1,234' (or with `digits` decimals, trailing zeros dropped); None -> 'not known'."""
    if value is None:
        return "not known"
    text = f"{value:,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def plural(count, noun: str) -> str:
    """'1 reading', '2 readings', '3 batteries'."""
    many = noun[:-1] + "ies" if noun.endswith("ry") else noun + "s"
    return f"{number(count)} {noun if count == 1 else many}"


def duration(seconds) -> str:
    """42 -> '42 s', 5400 -> '1.5 h', 200000 -> '2.3 days'; None -> 'not known'."""
    if seconds is None:
        return "not known"
    for unit, unit_s in (("days", 86400), ("h", 3600), ("min", 60)):
        if seconds >= unit_s * (1 if unit != "days" else 2):
            return f"{number(seconds / unit_s, 1)} {unit}"
    return f"{number(seconds, 1 if seconds < 10 else 0)} s"


def count_of(node: dict, key: str):
    """One number of a node: `due`, `wakes`, `missed` lie on it, the rest under `readings`; None: unknown."""
    return node.get(key) if key in node else (node.get("readings") or {}).get(key)
