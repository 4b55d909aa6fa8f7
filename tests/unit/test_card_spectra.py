"""Measured spectra of a print: enrolled from CGATS, kept in the card file."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from stripread.card import SLOT_LAB, design_card, enrol_card, load_card, parse_card, save_card
from stripread.card.spectra import as_reflectance, spectra_lab, unusable_wavelengths
from stripread.errors import CardFileError, MeasurementFileError
from stripread.simulate.optics.inks import print_card
from stripread.simulate.optics.spectra import WAVELENGTHS
from tests.listed import each

CARD = design_card()
NM = tuple(range(380, 731, 10))
PRINTED = print_card(CARD.patch_lab, np.array(SLOT_LAB), printer_seed=3)
SPECTRA = np.array([np.interp(NM, WAVELENGTHS, r) for r in PRINTED.patches])


NAMES = tuple(f"SPECTRAL_NM{nm}" for nm in NM)


def cgats(names=NAMES, spectra=SPECTRA, lab=PRINTED.lab) -> str:
    fields = "SAMPLE_NAME " + ("LAB_L LAB_A LAB_B " if lab is not None else "") + " ".join(names)
    colours = [""] * len(spectra) if lab is None else [" ".join(f"{v:.3f}" for v in row) for row in lab]
    rows = [
        f"{p.id} {colour} " + " ".join(f"{v:.5f}" for v in spectrum)
        for p, colour, spectrum in zip(CARD.patches, colours, spectra, strict=True)
    ]
    body = "\n".join(rows)
    return f"CGATS.17\nBEGIN_DATA_FORMAT\n{fields}\nEND_DATA_FORMAT\nBEGIN_DATA\n{body}\nEND_DATA\n"


def enrol(tmp_path, text: str):
    path = tmp_path / "print.txt"
    path.write_text(text)
    return enrol_card(CARD, path, name="print", measured_on="2026-02-03")


@pytest.fixture(scope="module")
def enrolled(tmp_path_factory):
    return enrol(tmp_path_factory.mktemp("enrol"), cgats())


def test_spectra_are_enrolled_with_the_colours(enrolled):
    assert enrolled.wavelengths_nm == NM
    np.testing.assert_allclose(enrolled.patch_spectra, SPECTRA, atol=1e-5)
    np.testing.assert_allclose(enrolled.patch_lab, PRINTED.lab, atol=1e-3)


@each("form", ["SPECTRAL_NM_{}", "NM_{}", "SPECTRAL_DEC{}", "SPECTRAL_PCT{}", "R_{}", "{}", "{}NM"])
def test_columns_of_spectra_go_by_many_names(tmp_path, form):
    assert enrol(tmp_path, cgats([form.format(nm) for nm in NM])).wavelengths_nm == NM


def test_per_cent_are_understood(tmp_path):
    np.testing.assert_allclose(enrol(tmp_path, cgats(spectra=100 * SPECTRA)).patch_spectra, SPECTRA, atol=1e-5)


def test_colours_are_worked_out_from_spectra_alone(tmp_path):
    card = enrol(tmp_path, cgats(lab=None))
    assert np.abs(card.patch_lab - PRINTED.lab).max() < 0.3


def test_spectra_that_do_not_cover_the_light_are_left_out(tmp_path):
    card = enrol(tmp_path, cgats([f"NM{nm}" for nm in NM[5:]], SPECTRA[:, 5:]))
    assert card.wavelengths_nm == ()
    assert card.patch_spectra is None


def test_spectra_alone_that_do_not_cover_the_light_are_refused(tmp_path):
    with pytest.raises(MeasurementFileError, match="400 to 700 nm"):
        enrol(tmp_path, cgats([f"NM{nm}" for nm in NM[5:]], SPECTRA[:, 5:], lab=None))


def test_spectra_of_other_colours_are_refused(tmp_path):
    with pytest.raises(MeasurementFileError, match="CIEDE2000 off"):
        enrol(tmp_path, cgats(spectra=np.roll(SPECTRA, 1, axis=0)))


def test_densities_are_refused(tmp_path):
    with pytest.raises(MeasurementFileError, match="not densities"):
        enrol(tmp_path, cgats(spectra=-5 * np.log10(SPECTRA)))


def test_a_card_with_spectra_is_read_back_as_it_was(enrolled, tmp_path):
    path = tmp_path / "card.toml"
    save_card(enrolled, path)
    again = load_card(path)
    assert again.wavelengths_nm == enrolled.wavelengths_nm
    assert [p.spectrum for p in again.patches] == [p.spectrum for p in enrolled.patches]
    assert sum(line.startswith("spectrum") for line in path.read_text().splitlines()) == len(CARD.patches)


@each(
    ("change", "field"),
    [
        (lambda d: d.update(wavelengths_nm=d["wavelengths_nm"][::-1]), "wavelengths_nm"),
        (lambda d: d.update(wavelengths_nm="380"), "wavelengths_nm"),
        (lambda d: d.update(wavelengths_nm=d["wavelengths_nm"][6:]), "wavelengths_nm"),
        (lambda d: d.pop("wavelengths_nm"), "spectrum"),
        (lambda d: d["patch"][4].pop("spectrum"), "spectrum"),
        (lambda d: d["patch"][4]["spectrum"].append(0.5), "spectrum"),
        (lambda d: d["patch"][4]["spectrum"].__setitem__(0, 7.0), "spectrum"),
        (lambda d: [p.update(spectrum=d["patch"][0]["spectrum"]) for p in d["patch"]], "spectrum"),
    ],
)
def test_a_wrong_card_file_is_refused_with_its_field(enrolled, tmp_path, change, field):
    path = tmp_path / "card.toml"
    save_card(enrolled, path)
    data = tomllib.loads(path.read_text())
    change(data)
    with pytest.raises(CardFileError, match=field):
        parse_card(data, where="card.toml")


def test_wavelengths_and_scales():
    assert unusable_wavelengths((400.0, 420.0, 440.0)) is not None
    assert unusable_wavelengths(tuple(range(400, 701, 20))) is None
    assert unusable_wavelengths(tuple(range(400, 701, 30))) is not None
    assert as_reflectance(SPECTRA / 10) is None
    assert np.abs(spectra_lab(NM, SPECTRA) - PRINTED.lab).max() < 0.3
    assert replace(CARD).patch_spectra is None
