"""A photo that went wrong shows what to change in a sketch, and every such code is one that exists."""

import re

from stripread import errors
from stripread.findings import REGISTRY
from stripread.web.pages.sketches import _BY_CODE, sketch_for
from tests.listed import each
from tests.web.conftest import ROOT

TEMPLATE = (ROOT / "stripread" / "web" / "templates" / "sketches.html").read_text("utf-8")
ERRORS = {kind.code: kind for kind in vars(errors).values() if isinstance(kind, type) and hasattr(kind, "code")}
# Of what is seen; a file that is no photo, or is too large, cannot be helped by holding the phone in another way.
OF_THE_PHOTO = {
    code
    for code in ERRORS
    if re.match("photo_(unfit|too_small)|card_(not|bent)|several|mirrored|strip|pad|flash", code)
}


def test_every_code_is_one_of_an_error_or_a_finding():
    assert set(_BY_CODE) <= {*ERRORS, *REGISTRY}


def test_every_fault_of_a_photo_has_a_sketch():
    assert set(_BY_CODE) >= OF_THE_PHOTO
    assert len(OF_THE_PHOTO) >= 10
    retakes = {code for code, kind in REGISTRY.items() if kind.severity != "info" and "retake" in str(kind.advice)}
    assert retakes - {"patch_disagrees", "photo_left_out"} <= set(_BY_CODE)


@each("name", sorted(set(_BY_CODE.values())))
def test_every_sketch_is_drawn_and_told(name):
    assert f'"{name}": _("Sketch:' in TEMPLATE
    assert f'name == "{name}"' in TEMPLATE or name == "pair"


def test_the_first_fault_that_has_one_is_shown():
    assert sketch_for(["off_curve", "pad_small", "photo_soft"]) == "near"
    assert sketch_for(["off_curve"]) is None
