"""Draws docs/roundtrip.svg. Law: the picture has the commands of deploy/roundtrip.py, in their order."""

from pathlib import Path

BOXES = (  # x, y, width, title, what
    (10, 20, 150, "settings files", "one a node"),
    (200, 20, 150, "check", "every mistake at once"),
    (390, 20, 150, "install", "an image a board"),
    (390, 120, 150, "rehearse", "MicroPython, real FAT"),
    (200, 120, 150, "mosquitto", "TLS on loopback"),
    (10, 120, 150, "collect", "into readings.db"),
    (10, 220, 150, "audit", "0 missing?"),
)
ARROWS = (  # from x, y to x, y
    (160, 45, 200, 45),
    (350, 45, 390, 45),
    (465, 70, 465, 120),
    (390, 145, 350, 145),
    (200, 145, 160, 145),
    (85, 170, 85, 220),
)
INK, PAPER, EDGE = "#24323b", "#f4efe4", "#8a6d46"


def drawn() -> str:
    lines = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 550 285" font-family="sans-serif" font-size="13">',
        f'<defs><marker id="tip" markerWidth="9" markerHeight="8" refX="8" refY="4" orient="auto">'
        f'<path d="M0 0 L9 4 L0 8 z" fill="{INK}"/></marker></defs>',
        '<rect width="550" height="285" fill="#ffffff"/>',
    ]
    for x, y, width, title, what in BOXES:
        lines.append(f'<rect x="{x}" y="{y}" width="{width}" height="50" rx="4" fill="{PAPER}" stroke="{EDGE}"/>')
        lines.append(f'<text x="{x + 12}" y="{y + 21}" font-weight="bold" fill="{INK}">{title}</text>')
        lines.append(f'<text x="{x + 12}" y="{y + 39}" font-size="11" fill="{INK}">{what}</text>')
    for from_x, from_y, to_x, to_y in ARROWS:
        line = f'<line x1="{from_x}" y1="{from_y}" x2="{to_x}" y2="{to_y}"'
        lines.append(f'{line} stroke="{INK}" stroke-width="1.5" marker-end="url(#tip)"/>')
    return "\n".join([*lines, "</svg>", ""])


if __name__ == "__main__":
    (Path(__file__).parent / "roundtrip.svg").write_text(drawn())
