"""Amounts with their uncertainty: as people type them, as formulas carry them, as they are rounded for people."""

from stripread.units.inputs import ParsedInputs
from stripread.units.quantities import ASSUMED_U, UNITS, Dimension, Quantity, System, Units, assumed_u, parse_quantity
from stripread.units.rounding import (
    counted,
    format_interval,
    format_number,
    places_for,
    plain,
    probability_in_words,
    two_digits,
)
from stripread.units.uncertain import COVERAGE, K95, Difference, Measured, difference, propagate

__all__ = [
    "ASSUMED_U",
    "COVERAGE",
    "K95",
    "UNITS",
    "Difference",
    "Dimension",
    "Measured",
    "ParsedInputs",
    "Quantity",
    "System",
    "Units",
    "assumed_u",
    "counted",
    "difference",
    "format_interval",
    "format_number",
    "parse_quantity",
    "places_for",
    "plain",
    "probability_in_words",
    "propagate",
    "two_digits",
]
