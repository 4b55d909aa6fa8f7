"""The page in another language: nothing untranslated or out of date, and what the program puts together is told."""

import itertools
import re
from importlib import resources
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from stripread.i18n.phrases import teller

from stripread.findings import REGISTRY
from stripread.i18n.catalogue import LANGUAGES, catalogue
from stripread.i18n.translations import brought_up_to_date, gather, untranslated
from stripread.report.words import headline_of
from tests.listed import each
from tests.web.conftest import csrf_of, sign_in

FILES = sorted(Path(str(resources.files("stripread.i18n") / "locale")).glob("*.po"))
PLACE = r"%\(\w+\)[sdg]|%%"


@pytest.fixture(scope="module", params=FILES, ids=lambda path: path.stem)
def catalog(request):
    return brought_up_to_date(request.param)


@pytest.fixture(scope="module")
def tell():
    return teller("es", catalogue("es"))


def test_spanish_is_one_of_the_languages():
    assert LANGUAGES == {"en": "English", "es": "Español"}
    assert "es" in {path.stem for path in FILES}


def test_every_message_is_translated_and_none_is_guessed(catalog):
    assert untranslated(catalog[1]) == []


def test_the_catalogue_is_what_make_translations_writes(catalog, request):
    path = next(path for path in FILES if path.stem == catalog[1].locale.language)
    assert path.read_bytes() == catalog[0], "run make translations, and translate what it names"


def test_a_missing_and_a_guessed_translation_are_found_out():
    made = Catalog(locale="es")
    made.add("Wait", "Espere")
    made.add("Flush")
    made.add("Dip", "Sumergir", flags=["fuzzy"])
    assert untranslated(made) == ["Flush", "Dip"]


def test_the_places_of_a_translation_are_those_of_its_message(catalog):
    messages = [m for m in catalog[1] if m.id]
    assert len(messages) > 500
    for message in messages:
        assert sorted(re.findall(PLACE, message.string)) == sorted(re.findall(PLACE, message.id)), message.id


def test_what_a_page_says_is_gathered_from_templates_and_from_the_program():
    found = {str(message.id) for message in gather()}
    assert {"Dip now", "TOO HIGH", "under %(bound)s", "card not found"} <= found
    assert {kind.advice for kind in REGISTRY.values()} | {kind.meaning for kind in REGISTRY.values()} <= found


def test_every_verdict_is_told(tell):
    states = ("above", "below", "undecided", "within", None)
    sets = [set(some) for count in (1, 2) for some in itertools.combinations(states, count)]
    for validity, some in itertools.product(("valid", "doubtful", "invalid"), sets):
        words = headline_of(validity, some).words
        told = tell(words)
        assert told != words
        assert "<span" not in told
    assert str(tell("DOUBTFUL, repeat: too high")) == "DUDOSO, repetir: demasiado alto"
    assert str(tell("NOT READ: strip not found")) == "SIN LEER: no se encuentra la tira"


@each(
    ("english", "spanish"),
    [
        ("0.26 mg/L", "0.26 mg/L"),
        ("under 0.05 mg/L", "menos de 0.05 mg/L"),
        ("95 % interval 0.22 to 0.3", "intervalo del 95 % de 0.22 a 0.3"),
        ("95 % interval up to 0.3", "intervalo del 95 % hasta 0.3"),
        ("0.15 to 0.4 mg/L", "de 0.15 a 0.4 mg/L"),
        (
            "because: the pad's colour is uneven",
            "porque: el color de la almohadilla es desigual",
        ),
        (
            "Put 40 L of water into the empty, rinsed tank. Water comes first.",
            "Ponga 40 L de agua en el tanque vacío y enjuagado. El agua va primero.",
        ),
        ("no line sample today; last on 2026-04-13", "hoy no hay muestra de línea; la última el 2026-04-13"),
        ("Flush for 60 s, then dip a new strip and read it.", "Purgue 60 s y después sumerja una tira nueva y léala."),
        ("Draw off 3 L, then add 2 L of concentrate", "Saque 3 L y después añada 2 L de concentrado"),
    ],
)  # fmt: skip
def test_words_with_numbers_in_them_are_told(tell, english, spanish):
    assert str(tell(english)) == spanish


def test_what_nobody_translated_is_marked_as_english_and_no_name_is(tell):
    assert str(tell("Seven white swans swim.")) == '<span lang="en">Seven white swans swim.</span>'
    mixed = tell("entry 7, 2026-04-14 08:00, doubtful: Seven white swans swim a race.")
    assert mixed.startswith("entrada 7, 2026-04-14 08:00, dudosa: <span")
    assert "<span" not in str(tell("95 % interval bench 1"))


def test_words_from_elsewhere_stay_words(tell):
    assert "<b>" not in str(tell("<b>no</b> %(x)s sample"))
    assert "<b>" not in str(tell("under <b>5</b> mg/L"))
    assert "<b>" not in str(tell("lot <b>5</b>"))


def test_english_is_said_as_the_command_line_says_it():
    plain = teller("en", catalogue("en"))
    assert str(plain("95 % interval 0.22 to 0.3")) == "95 % interval 0.22 to 0.3"
    assert str(plain(None)) == ""


def test_the_page_speaks_the_language_of_the_phone_and_then_that_of_the_person(client):
    spanish = client.get("/sign-in", headers={"accept-language": "es-MX,es;q=0.9,en;q=0.5"}).text
    assert '<html lang="es">' in spanish
    assert "PIN o contraseña" in spanish
    sign_in(client, "Ines")
    assert "Dip now" in client.get("/read/bench 1").text
    csrf = csrf_of(client.get("/more").text)
    client.post("/language", data={"csrf": csrf, "language": "es", "next": "/more"})
    assert "Sumergir ahora" in client.get("/read/bench 1").text
