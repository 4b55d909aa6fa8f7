from dataclasses import replace

import pytest

from stripread.card import design_card, strip_room
from stripread.card.layout import Patch
from stripread.errors import CardFileError
from stripread.geometry import Rect


def test_the_slot_is_where_the_strip_lies() -> None:
    card = design_card()
    assert strip_room(card) == card.slot


def test_a_card_without_slot_offers_its_largest_free_area() -> None:
    card = replace(design_card(), slot=None)
    room = strip_room(card)
    # Slot or vial room of our design, whichever is larger, with the bare paper around it.
    assert room.width >= 100
    assert room.height >= 20
    for patch in card.patches:
        apart_x = patch.rect.x >= room.x + room.width or patch.rect.x + patch.rect.width <= room.x
        apart_y = patch.rect.y >= room.y + room.height or patch.rect.y + patch.rect.height <= room.y
        assert apart_x or apart_y, patch.id


def test_a_full_card_has_no_room() -> None:
    card = replace(design_card(), slot=None)
    wall = Patch(id="wall", rect=Rect(0, 0, card.width_mm, card.height_mm), role="white", lab=(95, 0, 0))
    with pytest.raises(CardFileError, match="no free area"):
        strip_room(replace(card, patches=(*card.patches, wall)))
