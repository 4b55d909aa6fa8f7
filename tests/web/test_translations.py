"""The page in another language: nothing untranslated or out of date, and what the program puts together is told."""

import itertools
import re
from importlib import resources
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog

from stripread.check.expected import reported
from stripread.errors import StripNotFoundError
from stripread.findings import REGISTRY
from stripread.i18n import LANGUAGES, ByFace, Clause, Joined, Message, Reader
from stripread.i18n.translations import brought_up_to_date, gather, untranslated
from stripread.report import error_headline
from stripread.report.words import headline_of
from stripread.units import Measured, format_interval, tell, tell_hours, tell_volume
from tests.listed import each
from tests.unit.made_readings import made_pad, made_sample
from tests.web.conftest import csrf_of, sign_in

FILES = sorted(Path(str(resources.files("stripread.i18n") / "locale")).glob("*.po"))
PLACE = r"%\(\w+\)[sdg]|%%"


@pytest.fixture(scope="module", params=FILES, ids=lambda path: path.stem)
def catalog(request):
    return brought_up_to_date(request.param)


SPANISH = Reader(language="es", face="page")


def test_every_catalogue_is_of_a_language_that_is_offered_spanish_among_them():
    assert {path.stem for path in FILES} == set(LANGUAGES) - {"en"}
    assert (LANGUAGES["en"], LANGUAGES["es"]) == ("English", "Español")


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
    wrong = []
    for message in messages:
        ids, strings = both(message), message.string if isinstance(message.string, tuple) else (message.string,)
        for one in strings:
            # One of something may be said without its number.
            if sorted(re.findall(PLACE, one)) not in [sorted(re.findall(PLACE, id)) for id in ids]:
                wrong.append(one)
    assert not wrong


def test_what_a_page_says_is_gathered_from_templates_and_from_the_program():
    found = {one for message in gather() for one in both(message)}
    assert {"Dip now", "TOO HIGH", "under %(bound)s", "card not found"} <= found
    words = [one for kind in REGISTRY.values() for said in (kind.meaning, kind.advice) for one in messages_in(said)]
    assert {said.template for said in words} <= found


def messages_in(said):
    if isinstance(said, ByFace):
        return (said.terminal, said.page)
    return [one for part in said.parts for one in messages_in(part)] if isinstance(said, Joined) else (said,)


def both(message):
    return message.id if isinstance(message.id, tuple) else (str(message.id),)


def test_every_verdict_is_shown_in_spanish():
    states = ("above", "below", "undecided", "within", None)
    sets = [set(some) for count in (1, 2) for some in itertools.combinations(states, count)]
    english = [
        str(words)
        for validity, some in itertools.product(("valid", "doubtful", "invalid"), sets)
        if SPANISH.show(words := headline_of(validity, some).words) == str(words)
    ]
    assert not english
    assert SPANISH.show(headline_of("doubtful", {"above"}).words) == "DUDOSO, repetir: demasiado alto"
    assert SPANISH.show(error_headline(StripNotFoundError(expected=A, found=A, remedy=A)).words) == (
        "SIN LEER: no se encuentra la tira"
    )


A = Message("nothing")


@each(
    ("words", "spanish"),
    [
        (tell(Measured(0.26), "mg/L"), "0,26 mg/L"),
        (reported(made_pad(0.26, 0.02)), "0,26 mg/L (95 %: de 0,22 a 0,3)"),
        (format_interval((0.22, 0.3), 2), "de 0,22 a 0,30"),
        (format_interval((None, 0.3), 1), "hasta 0,3"),
        (made_sample(0.15, 0.4).main.words, "de 0,15 a 0,4 mg/L"),
        (Clause(REGISTRY["pad_uneven"].meaning), "el color de la almohadilla es desigual"),
        (tell_hours(60), "60 h"),
        (tell_volume(40, "metric"), "40 L"),
        (tell_volume(37.854, "us"), "10 US gal (37,9 L)"),
    ],
)
def test_words_with_numbers_in_them_are_shown_as_the_language_writes_them(words, spanish):
    assert SPANISH.show(words) == spanish


def test_a_name_is_no_word():
    assert SPANISH.show("bench 1.5") == "bench 1.5"


def test_the_page_speaks_the_language_of_the_phone_and_then_that_of_the_person(client):
    spanish = client.get("/sign-in", headers={"accept-language": "es-MX,es;q=0.9,en;q=0.5"}).text
    assert '<html lang="es">' in spanish
    assert "PIN o contraseña" in spanish
    sign_in(client, "Ines")
    assert "Dip now" in client.get("/read/bench 1").text
    csrf = csrf_of(client.get("/more").text)
    client.post("/language", data={"csrf": csrf, "language": "es", "next": "/more"})
    assert "Sumergir ahora" in client.get("/read/bench 1").text
