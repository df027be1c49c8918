"""Colours of the window: ink on paper, one accent a quantity, and red kept for what cuts the power."""

from __future__ import annotations

from whirlbench.results.inks import INKS, ink

__all__ = ["INKS", "ink"]

PAPER, CARD, INK, FAINT, RULE = INKS["paper"], INKS["card"], INKS["ink"], INKS["faint"], INKS["rule"]
CALM, CLOSE, OVER, CURSOR = INKS["calm"], INKS["close"], INKS["over"], INKS["cursor"]
MEASURED, MODEL, SECOND = INKS["measured"], INKS["model"], INKS["second"]

CHANNEL_INK = {
    "rpm": "#1f4e79",
    "current_a": "#8a4b2d",
    "voltage_v": "#6b6f2a",
    "thrust_n": "#2f6b66",
    "servo_us": "#6a4b8a",
    "pitch_deg": "#6a4b8a",
    "throttle_us": "#55504a",
    "speed_request_rpm": "#7d8fa3",
    "vibration_g": "#944a63",
}


def style_sheet() -> str:
    """Look of the plain widgets, so that they sit on the same paper as the drawn ones."""
    return f"""
QWidget {{ background: {PAPER}; color: {INK}; font-size: 13px; }}
QListWidget, QPlainTextEdit, QTableWidget, QComboBox, QLineEdit, QSpinBox, QDoubleSpinBox {{
    background: {CARD}; border: 1px solid {RULE}; }}
QListWidget::item:selected, QTableWidget::item:selected {{ background: {RULE}; color: {INK}; }}
QListWidget, QTableWidget {{ outline: none; }}
QTableWidget {{ border: none; border-bottom: 1px solid {RULE}; }}
QTableWidget::item {{ padding: 0 8px 0 2px; }}
QPushButton {{ background: {CARD}; border: 1px solid {FAINT}; border-radius: 4px; padding: 5px 14px; }}
QPushButton:checked, QPushButton:pressed {{ background: {INK}; color: {CARD}; }}
QPushButton:disabled {{ color: {FAINT}; }}
QHeaderView::section {{ background: {PAPER}; border: none; border-bottom: 1px solid {INK}; padding: 3px 8px 3px 2px; }}
QSlider {{ min-height: 24px; }}
QSlider::groove:horizontal {{ height: 4px; background: {RULE}; }}
QSlider::sub-page:horizontal {{ background: {CURSOR}; }}
QSlider::handle:horizontal {{ width: 12px; margin: -7px 0; background: {CARD}; border: 1px solid {CURSOR};
    border-radius: 3px; }}
QScrollBar:vertical {{ width: 12px; background: {PAPER}; }}
QScrollBar:horizontal {{ height: 12px; background: {PAPER}; }}
QScrollBar::handle {{ background: {FAINT}; border-radius: 4px; min-height: 30px; min-width: 30px; margin: 2px; }}
QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
QToolTip {{ background: {CARD}; color: {INK}; border: 1px solid {FAINT}; }}
"""
