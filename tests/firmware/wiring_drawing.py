"""Draws firmware_sketch/wiring.svg: ``python tests/firmware/wiring_drawing.py``; a test compares its pins."""

from __future__ import annotations

from pathlib import Path
from xml.sax.saxutils import escape

PAGE = Path(__file__).resolve().parents[2] / "firmware_sketch" / "wiring.svg"
WIDTH, ROW, TOP = 1180, 62, 118
BOARD_X, BOARD_W, PART_X, PART_W = 40, 270, 700, 440
# part, what stands beside it, pins on the 2560, pins on the 328P, what sits on the line
ROWS = (
    ("Second cut", "contactor or controller supply, by a transistor", "D10", "D6", "10 kΩ to ground"),
    ("Speed controller", "signal and ground; its own supply is not joined", "D11", "D9", "10 kΩ to ground"),
    ("Pitch servo", "signal and ground; supply of its own, 5 to 6 V", "D12", "D10", "10 kΩ to ground"),
    ("Tach pick-up", "open collector or 5 V, one rising edge a mark", "D49", "D8", "4.7 kΩ to 5 V, 1 nF to ground"),
    ("Current sensor", "0 to 5 V", "A0", "A0", "1 kΩ in line, 100 nF to ground"),
    ("Pack voltage divider", "0 to 5 V at the fullest pack", "A1", "A1", "1 kΩ in line, 100 nF to ground"),
    ("Servo feedback", "tap of its potentiometer", "A2", "A2", "1 kΩ in line, 100 nF to ground"),
    ("Load-cell converter", "data, clock; beside the load cell", "D22, D23", "D4, D5", "short wires"),
    (
        "Accelerometer",
        "select, MOSI, MISO, clock; 3.3 V, by level shifters",
        "D53, D51, D50, D52",
        "D7, D11, D12, D13",
        "",
    ),
)


def text(x: float, y: float, words: str, size: int = 15, weight: str = "normal", anchor: str = "start") -> str:
    """One line of text."""
    return (
        f'<text x="{x}" y="{y}" font-size="{size}" font-weight="{weight}" text-anchor="{anchor}">{escape(words)}</text>'
    )


def box(x: float, y: float, width: float, height: float, fill: str) -> str:
    """A framed rectangle."""
    return f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="{fill}" stroke="#222" rx="4"/>'


def row(place: int) -> list[str]:
    """Board pins, the line with what sits on it, and the part."""
    name, beside, mega, small, on_line = ROWS[place]
    y = TOP + place * ROW
    must = place < 2
    end, middle = PART_X, y + 24
    parts = [
        box(PART_X, y, PART_W, ROW - 14, "#fde9e0" if must else "#eef3f8"),
        text(PART_X + 12, y + 20, name, 15, "bold"),
        text(PART_X + 12, y + 39, beside, 13),
        text(BOARD_X + 12, middle + 5, mega, 13),
        text(BOARD_X + BOARD_W - 12, middle + 5, small, 13, anchor="end"),
        f'<line x1="{BOARD_X + BOARD_W}" y1="{middle}" x2="{end}" y2="{middle}" stroke="#222" stroke-width="2"/>',
    ]
    if on_line:
        parts.append(
            text((BOARD_X + BOARD_W + end) / 2, middle - 7, on_line, 13, "bold" if must else "normal", "middle")
        )
    if "to ground" in on_line:
        x = (BOARD_X + BOARD_W + end) / 2
        parts.append(f'<line x1="{x}" y1="{middle}" x2="{x}" y2="{middle + 12}" stroke="#222" stroke-width="2"/>')
        for step, half in enumerate((10, 6, 2)):
            bar = middle + 12 + 4 * step
            parts.append(
                f'<line x1="{x - half}" y1="{bar}" x2="{x + half}" y2="{bar}" stroke="#222" stroke-width="2"/>'
            )
    return parts


def drawing() -> str:
    """The whole drawing."""
    height = TOP + len(ROWS) * ROW
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height + 60}" font-family="sans-serif">',
        f'<rect width="{WIDTH}" height="{height + 60}" fill="white"/>',
        text(BOARD_X, 34, "Wiring of the stand's microcontroller", 20, "bold"),
        text(BOARD_X, 58, "The two pull-downs at the top come first: a pin that floats must mean “off”.", 14),
        box(BOARD_X, TOP - 30, BOARD_W, height - TOP + 26, "#f4f4f0"),
        text(BOARD_X + 12, TOP - 10, "ATmega2560", 13, "bold"),
        text(BOARD_X + BOARD_W - 12, TOP - 10, "ATmega328P", 13, "bold", "end"),
    ]
    for place in range(len(ROWS)):
        parts += row(place)
    foot = "All grounds meet in one point at the board; motor and servo currents do not pass through it."
    return "\n".join([*parts, text(BOARD_X, height + 34, foot, 14), "</svg>"]) + "\n"


if __name__ == "__main__":
    PAGE.write_text(drawing(), encoding="utf-8")
