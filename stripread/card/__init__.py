"""Card layouts, drawing and enrolling a print, finding it in a photo."""

from stripread.card.design import design_card
from stripread.card.draw import PageName, card_raster, draw_card
from stripread.card.enrol import enrol_card
from stripread.card.layout import CardLayout, Enrolment, Marker, Patch, Role, load_card, parse_card, save_card

__all__ = [
    "CardLayout",
    "Enrolment",
    "Marker",
    "PageName",
    "Patch",
    "Role",
    "card_raster",
    "design_card",
    "draw_card",
    "enrol_card",
    "load_card",
    "parse_card",
    "save_card",
]
