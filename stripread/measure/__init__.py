"""From a photo to the colour of each pad, of a strip in one photo or a flash pair, and of the chart on a vial."""

from stripread.measure.card import CardInspection, CardMeasurement, card_view, card_white, inspect_card, measure_card
from stripread.measure.flash import FlashColours, FlashPair, finish_flash_pair, flash_colours, measure_flash_pair
from stripread.measure.pad import PadMeasurement, coding_covariance, pad_mismatch
from stripread.measure.strip import StripMeasurement, measure_strip
from stripread.measure.vial import BlockMeasurement, ChartMeasurement, measure_chart

__all__ = [
    "BlockMeasurement",
    "CardInspection",
    "CardMeasurement",
    "ChartMeasurement",
    "FlashColours",
    "FlashPair",
    "PadMeasurement",
    "StripMeasurement",
    "card_view",
    "card_white",
    "coding_covariance",
    "finish_flash_pair",
    "flash_colours",
    "inspect_card",
    "measure_card",
    "measure_chart",
    "measure_flash_pair",
    "measure_strip",
    "pad_mismatch",
]
