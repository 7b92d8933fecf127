"""Draws docs/field.svg, the light's patterns. Law: lengths and order are those of the boards' own tables.

python docs/make_field.py           writes it
python docs/make_field.py --check   exits with 1 when the one on disk is another one
"""

import ast
import sys
from html import escape
from pathlib import Path

HERE = Path(__file__).resolve().parent
PICTURE = HERE / "field.svg"
BOARDS = HERE.parent / "firmware" / "torpor" / "boards"
SOURCES = (BOARDS / "cp_signal.py", BOARDS / "mp_signal.py")
MEANINGS = {
    "service": "awake, and waiting for a person",
    "stored": "the reading is safe",
    "joined": "a network has been joined",
    "accepted": "the broker has what was sent",
    "refused": "the broker answered, and said no",
    "unreached": "nothing came back from the broker",
}
# geometry, in px; time: px a ms
ROW, TOP, LEFT, WIDTH, HEIGHT, PX_A_MS = 44, 16, 330, 760, 20, 0.2


def table(path: Path) -> tuple[dict, int]:
    """({pattern: (ms on, ...)}, ms off behind each) of a port, without importing it: it names hardware."""
    names = {}
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            text = ast.unparse(node.value)
            if node.targets[0].id.endswith("_MS") or node.targets[0].id == "PATTERNS":
                names[node.targets[0].id] = eval(text, {"__builtins__": {}}, dict(names))  # noqa: S307 - our own table
    return names["PATTERNS"], names["PAUSE_MS"]


def picture() -> str:
    patterns, pause_ms = table(SOURCES[0])
    for source in SOURCES[1:]:
        if table(source) != (patterns, pause_ms):
            raise SystemExit(f"{source.name} has other patterns than {SOURCES[0].name}")
    if set(patterns) != set(MEANINGS):
        raise SystemExit("a pattern has no meaning here, or a meaning no pattern")
    height = TOP * 2 + ROW * len(patterns)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        'font-family="sans-serif" font-size="14">',
        "<title>What the light says</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
    ]
    for index, name in enumerate(MEANINGS):
        lines += row(TOP + index * ROW, MEANINGS[name], patterns[name], pause_ms)
    return "\n".join([*lines, "</svg>", ""])


def row(top: int, meaning: str, pattern: tuple, pause_ms: int) -> list[str]:
    middle = top + ROW // 2
    lines = [
        f'<text x="16" y="{middle + 5}" fill="#334">{escape(meaning)}</text>',
        f'<path d="M{LEFT} {middle + HEIGHT // 2}H{WIDTH - 16}" stroke="#99a" fill="none"/>',
    ]
    at_ms = 0
    for on_ms in pattern:
        left, width = LEFT + at_ms * PX_A_MS, on_ms * PX_A_MS
        lines.append(
            f'<rect x="{left:g}" y="{middle - HEIGHT // 2}" width="{width:g}" height="{HEIGHT}" fill="#c60"/>'
        )
        at_ms += on_ms + pause_ms
    return lines


def main() -> None:
    text = picture()
    if "--check" in sys.argv[1:]:
        if not PICTURE.is_file() or PICTURE.read_text(encoding="utf-8") != text:
            print("docs/field.svg is stale: python docs/make_field.py")
            sys.exit(1)
        return
    PICTURE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
