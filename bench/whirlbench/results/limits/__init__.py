"""Pitch limits in words, tables and charts, and the card for the field."""

from whirlbench.results.limits.field_card import VALID_DAYS, card_answer
from whirlbench.results.limits.limits import SUBJECT, LimitsStudy, at_speeds, limits_answer, limits_study, propose
from whirlbench.results.limits.second_set import SecondSet

__all__ = [
    "SUBJECT",
    "VALID_DAYS",
    "LimitsStudy",
    "SecondSet",
    "at_speeds",
    "card_answer",
    "limits_answer",
    "limits_study",
    "propose",
]
