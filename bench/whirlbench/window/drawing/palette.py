"""Colours of the window: ink on paper, one accent a quantity, and red kept for what cuts the power.

Three palettes have the same parts: light (that of the reports), dark, and sunlight, whose words keep 7:1. A part in
capitals (``palette.PAPER``) is its colour in the palette chosen now, so it is asked for when something is drawn.
"""

from __future__ import annotations

from whirlbench.results.inks import INKS

LIGHT = "light"
PALETTES = {
    LIGHT: INKS,
    "dark": {
        "paper": "#1c1b18",
        "card": "#262420",
        "ink": "#f0eadc",
        "faint": "#a79f8e",
        "rule": "#4a463d",
        "calm": "#a5d8cd",
        "close": "#dda816",
        "caution": "#efc06a",
        "over": "#ff6a6a",
        "cursor": "#f0c8ff",
        "measured": "#7aa2ff",
        "model": "#f3a43e",
        "second": "#8ff0c8",
    },
    "sunlight": {
        "paper": "#ffffff",
        "card": "#ffffff",
        "ink": "#000000",
        "faint": "#454545",
        "rule": "#b0b0b0",
        "calm": "#005a5c",
        "close": "#7a5200",
        "caution": "#6b3d00",
        "over": "#6e0012",
        "cursor": "#2a0a5a",
        "measured": "#0038c0",
        "model": "#8f4a00",
        "second": "#005048",
    },
}
CHANNEL_PARTS = {
    "rpm": "measured",
    "current_a": "model",
    "voltage_v": "close",
    "thrust_n": "second",
    "servo_us": "cursor",
    "pitch_deg": "cursor",
    "throttle_us": "ink",
    "speed_request_rpm": "faint",
    "vibration_g": "calm",
}
_chosen = [LIGHT]


def choose(name: str) -> None:
    """Draws with palette ``name`` (a key of PALETTES; KeyError for another) from now on.

    Whoever holds the application sets ``style_sheet()`` afterwards: every widget then hears a change of style.
    """
    _chosen[0] = name if PALETTES[name] else LIGHT


def chosen() -> str:
    """Name of the palette that is drawn with."""
    return _chosen[0]


def ink(name: str) -> str:
    """Colour ``#rrggbb`` of the part ``name`` in the chosen palette; KeyError for a part that is none."""
    return PALETTES[_chosen[0]][name]


def channel_ink(name: str) -> str:
    """Colour of the curve of a channel; that of words for a channel without one of its own."""
    return ink(CHANNEL_PARTS.get(name, "ink"))


def __getattr__(name: str) -> str:
    if name.isupper() and name.lower() in INKS:
        return ink(name.lower())
    raise AttributeError(f"the palette has no part {name}")


def style_sheet() -> str:
    """Look of the plain widgets, so that they sit on the same paper as the drawn ones.

    A label or button with the property ``ink`` is printed in that part's colour: ``setProperty("ink", "over")``.
    """
    paper, card, words, faint, rule = map(ink, ("paper", "card", "ink", "faint", "rule"))
    cursor, over, close = map(ink, ("cursor", "over", "close"))
    inks = "\n".join(f'*[ink="{name}"] {{ color: {colour}; }}' for name, colour in PALETTES[_chosen[0]].items())
    return f"""
QWidget {{ background: {paper}; color: {words}; font-size: 13px; }}
QListWidget, QPlainTextEdit, QTableWidget, QComboBox, QLineEdit, QSpinBox, QDoubleSpinBox {{
    background: {card}; border: 1px solid {rule}; }}
QListWidget::item:selected, QTableWidget::item:selected {{ background: {rule}; color: {words}; }}
QListWidget, QTableWidget {{ outline: none; }}
QTableWidget {{ border: none; border-bottom: 1px solid {rule}; }}
QTableWidget::item {{ padding: 0 8px 0 2px; }}
QTableWidget::item:hover, QTableWidget::item:focus, QListWidget::item:hover {{ background: {card}; }}
QPushButton {{ background: {card}; border: 1px solid {faint}; border-radius: 4px; padding: 5px 14px; }}
QPushButton:focus {{ outline: none; border: 2px solid {cursor}; padding: 4px 13px; }}
QPushButton:checked, QPushButton:pressed {{ background: {words}; color: {card}; }}
QPushButton:disabled, QDoubleSpinBox:disabled {{ background: {paper}; color: {faint}; border-style: dashed; }}
QHeaderView::section {{ background: {paper}; border: none; border-bottom: 1px solid {words};
    padding: 3px 8px 3px 2px; }}
QSlider {{ min-height: 24px; }}
QSlider::groove:horizontal {{ height: 4px; background: {rule}; }}
QSlider::sub-page:horizontal {{ background: {cursor}; }}
QSlider::handle:horizontal {{ width: 12px; margin: -7px 0; background: {card}; border: 1px solid {cursor};
    border-radius: 3px; }}
QScrollBar:vertical {{ width: 12px; background: {paper}; }}
QScrollBar:horizontal {{ height: 12px; background: {paper}; }}
QScrollBar::handle {{ background: {faint}; border-radius: 4px; min-height: 30px; min-width: 30px; margin: 2px; }}
QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
#abort_bar {{ background: {over}; color: {card}; border: none; border-radius: 6px;
    font-size: 18px; font-weight: bold; letter-spacing: 1px; }}
#abort_bar:disabled {{ background: {paper}; color: {over}; border: 2px dashed {over}; }}
#check_list {{ background: {card}; border: 1px solid {rule}; border-left: 6px solid {close}; }}
#check_list * {{ background: {card}; }}
QCheckBox::indicator {{ width: 13px; height: 13px; border: 1px solid {words}; background: {card}; }}
QCheckBox::indicator:checked {{ background: {words}; }}
QTabWidget::pane {{ border: none; border-top: 1px solid {rule}; }}
QTabBar::tab {{ background: {paper}; color: {words}; padding: 3px 10px; border-bottom: 3px solid {paper}; }}
QTabBar::tab:selected {{ border-bottom: 3px solid {words}; }}
#section_row {{ background: {paper}; border: none; }}
#section_row::item {{ padding: 3px 7px; border-bottom: 3px solid {paper}; }}
#section_row::item:selected {{ background: {paper}; color: {words}; border-bottom: 3px solid {words}; }}
QToolTip {{ background: {card}; color: {words}; border: 1px solid {faint}; }}
{inks}
"""
