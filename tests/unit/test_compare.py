from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from lot_series import PINK, PINK_LEVELS, calibrate, dye, known_curve, series

from stripread.card import load_card
from stripread.errors import LotFileError
from stripread.lot import Curve, Lot, PadComparison, compare_lots, load_lot
from stripread.lot.compare import compare_curves
from stripread.report import comparison_json, comparison_text
from tests.listed import each

CALIBRATION = Path(__file__).parents[2] / "calibration"
CARD = load_card(CALIBRATION / "card-print-a.toml")


def compared(first: Curve, second: Curve, *, u_light: float = 0.0) -> PadComparison:
    def light(lab: np.ndarray) -> np.ndarray:
        return u_light**2 * np.broadcast_to(np.eye(3), (len(lab), 3, 3))

    return compare_curves(first, second, light=light, pad="A", analyte="test", unit="mg/L")


def signed(lot: Lot, shift: float) -> Lot:
    """The lot as if its cards' patches had come out otherwise: those of odd number by so many Delta E."""
    conditions = tuple(
        replace(c, signature={
            key: (x, a + shift * (k % 2), b) for k, (key, (x, a, b)) in enumerate(sorted(c.signature.items()))
        })
        for c in lot.conditions
    )  # fmt: skip
    return replace(lot, conditions=conditions)


def paler(lot: Lot, share: float) -> Lot:
    """The lot with strips that need ``share`` of the concentration for the same colour."""
    (pad,) = lot.pads
    moved = pad.curve.parameters + np.array([np.log(share), *[0.0] * (len(pad.curve.parameters) - 1)])
    return replace(lot, pads=(replace(pad, curve=replace(pad.curve, parameters=moved)),))


@pytest.fixture(scope="module")
def curves() -> tuple[Curve, ...]:
    """Calibrations of one lot by different strips and dilutions."""
    return tuple(calibrate(series(PINK, PINK_LEVELS, seed=seed)).curve for seed in range(4))


@pytest.fixture(scope="module")
def lot() -> Lot:
    return load_lot(CALIBRATION / "UL-2603" / "lot.json")


@pytest.mark.slow
def test_a_curve_does_not_differ_from_itself(curves):
    found = compared(curves[0], curves[0])
    inner = ~found.at_end
    assert inner.sum() > 20
    np.testing.assert_allclose(found.read[inner], found.concentration[inner], rtol=1e-3)
    assert found.verdict == "agree"


def test_calibrations_of_one_lot_agree(curves):
    """Four calibrations, two pairs; in 120 such pairs of three kinds one was called different, by design 5 %."""
    pairs = [compared(a, b) for a, b in zip(curves[::2], curves[1::2], strict=True)]
    assert {pair.verdict for pair in pairs} == {"agree"}
    assert {pair.limit > 2 for pair in pairs} == {True}  # wider than for one point alone


@each("share", [0.75, 1.3])
def test_a_lot_with_other_dye_is_found_with_how_much_it_misreads(curves, share):
    """Strips of B need ``share`` of the concentration for the colour, so B reads A's colour as that."""
    stretched = dye(share * np.exp(PINK[0]), 1.0, [95, 0, 3], [65, 45, -3])
    levels = tuple(share * level for level in PINK_LEVELS)
    other = calibrate(series(stretched, levels, seed=20)).curve
    found = compared(curves[0], other)
    assert found.verdict == "differ"
    middle = int(np.argmin(np.abs(found.concentration - 1.0)))
    assert found.read[middle] / found.concentration[middle] == pytest.approx(share, rel=0.08)


def test_a_lot_of_another_hue_is_found_though_it_reads_alike(curves):
    other_hue = dye(3.0, 1.0, [95, 0, 3], [65, 45, 15])
    found = compared(curves[0], calibrate(series(other_hue, PINK_LEVELS, seed=21)).curve)
    assert found.off_curve.any()
    assert found.verdict == "differ"


@pytest.mark.slow
def test_u_is_the_spread_of_the_difference_between_calibrations_of_one_lot():
    """20 pairs, each of other strips and dilutions: they know a spread to 16 %."""
    pairs = [
        compared(*(calibrate(series(PINK, PINK_LEVELS, seed=seed)).curve for seed in (100 + k, 200 + k)))
        for k in range(20)
    ]
    for at in (0.2, 0.6, 1.5):
        places = [int(np.argmin(np.abs(pair.concentration - at))) for pair in pairs]
        off = [pair.read[k] - pair.concentration[k] for pair, k in zip(pairs, places, strict=True)]
        u = [pair.u[k] for pair, k in zip(pairs, places, strict=True)]
        assert np.sqrt(np.mean(np.square(off))) == pytest.approx(np.sqrt(np.mean(np.square(u))), rel=0.4)


def test_a_colour_beyond_the_end_of_the_other_curve_is_not_judged():
    """B is paler by far: the deepest colours of A are over its top."""
    pale = dye(9.0, 1.0, [95, 0, 3], [65, 45, -3])
    found = compared(known_curve(PINK, top=3.0), known_curve(pale, top=3.0))
    assert found.at_end[-1]
    assert found.read[-1] == pytest.approx(3.0)
    assert not found.beyond[found.at_end].any()
    assert found.verdict == "differ"  # the others tell


def test_lots_of_other_kinds_pads_units_and_ranges_are_refused(lot):
    (pad,) = lot.pads
    far = replace(pad, curve=replace(pad.curve, low=10.0, top=20.0))
    for other, words in (
        (load_lot(CALIBRATION / "WR-2601" / "lot.json"), "clo2-wide"),
        (replace(lot, pads=(replace(pad, unit="ppm"),)), "ppm"),
        (replace(lot, pads=(replace(pad, pad="x"),)), "x ("),
        (replace(lot, pads=(replace(pad, analyte="ozone"),)), "ozone"),
        (replace(lot, pads=(far,)), "10 to 20"),
    ):
        with pytest.raises(LotFileError) as caught:
            compare_lots(lot, other, card=CARD)
        assert words in str(caught.value.found)


def test_other_cards_and_phones_are_said(lot):
    (pad,) = lot.pads
    phone = replace(pad, calibrators=tuple(replace(c, camera="Demo phone Z") for c in pad.calibrators))
    text = comparison_text(compare_lots(lot, replace(lot, card="other-print", pads=(phone,)), card=CARD))
    assert "The cards differ: card-print-a and other-print." in text
    assert "Demo phone Z" in text
    assert "same photos" in text
    assert "✔ no difference" in text


def test_a_difference_that_other_light_may_make_is_not_put_on_the_lots(curves):
    """The same two curves, in the same light and in lights that may shift a colour by one Delta E."""
    other = dye(1.1 * np.exp(PINK[0]), 1.0, [95, 0, 3], [65, 45, -3])
    levels = tuple(1.1 * level for level in PINK_LEVELS)
    second = calibrate(series(other, levels, seed=22, u=0.001)).curve
    assert compared(curves[0], second).verdict == "differ"
    lit = compared(curves[0], second, u_light=1.0)
    assert lit.verdict == "light"
    assert (lit.u_light > 0).all()
    assert lit.limit_light > lit.limit


def test_patches_that_came_out_otherwise_widen_the_difference(lot):
    plain, lit = (compare_lots(lot, signed(paler(lot, 1.1), shift), card=CARD) for shift in (0.0, 2.0))
    assert not plain.pads[0].u_light.any()
    assert np.median(lit.pads[0].u_light) > np.median(lit.pads[0].u)
    assert any("1.4 Delta E apart" in sentence or "1.41" in sentence for sentence in lit.circumstances)


def test_what_another_way_of_correction_misses_is_not_put_on_the_lots(lot):
    spectral = replace(lot, correction="spectral")
    for pair in ((lot, spectral), (spectral, lot)):
        found = compare_lots(*pair, card=CARD)
        assert (found.pads[0].u_light > 0).all()
        assert any("corrected by the" in sentence for sentence in found.circumstances)
    same = compare_lots(spectral, spectral, card=CARD)
    assert not same.pads[0].u_light.any()


def test_a_card_of_other_patches_tells_nothing_about_light(lot):
    bare = replace(CARD, patches=tuple(replace(patch, id=f"other {patch.id}") for patch in CARD.patches))
    found = compare_lots(lot, signed(lot, 2.0), card=bare)
    assert any("cannot be told" in sentence for sentence in found.circumstances)
    assert not found.pads[0].u_light.any()


def test_text_and_json_tell_the_same(lot):
    found = compare_lots(lot, paler(lot, 1.3), card=CARD)
    text, record = comparison_text(found), comparison_json(found)
    assert "▲ THE LOTS DIFFER" in text
    (told,) = record["pads"]
    assert told["verdict"] == "differ"
    one = next(p for p in told["points"] if p["concentration"] == 1.0)
    assert one["read"] == pytest.approx(1.3, rel=0.01)
    assert one["beyond"] is True
    row = next(line.split() for line in text.splitlines() if line.split()[:1] == ["1"])
    assert float(row[1]) == pytest.approx(one["read"], abs=0.01)
