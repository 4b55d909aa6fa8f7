"""A strip is read in Spanish, from signing in to the verdict and on to a refused photo."""

import re

import pytest

from tests.browser.live import SAMPLES, SECRET, verdict

pytestmark = [pytest.mark.browser, pytest.mark.flaky(reruns=2)]


def test_a_strip_is_read_in_spanish(open_phone):
    page = open_phone(locale="es-MX")
    page.clock.install()
    page.goto("/read")
    page.get_by_role("radio", name="Ines").check()
    page.get_by_label("PIN o contraseña").fill(SECRET)
    page.get_by_role("button", name="Entrar").tap()
    page.get_by_role("link", name=re.compile("bench 1")).tap()
    page.get_by_role("button", name="Tengo esta tira").tap()
    page.get_by_role("button", name="Empezar a purgar").tap()
    page.clock.run_for(62_000)
    page.get_by_role("button", name="Sumergir ahora").tap()
    page.get_by_text("En el agua").wait_for()
    page.clock.run_for(20_000)
    page.get_by_role("button", name="HAGA LA FOTO AHORA").wait_for()
    page.locator("#photo").set_input_files(SAMPLES / "line-good.jpg")
    assert verdict(page) == "DENTRO DEL INTERVALO"
    assert page.locator('main [lang="en"]').count() == 0  # its findings too
    said = page.locator("main").inner_text()
    assert "dióxido de cloro · intervalo del 95 % de 0," in said
    assert "se esperaba de 0,22 a 0,5 mg/L" in said
    page.get_by_text("Más que hacer aquí").tap()
    page.get_by_role("link", name="Leer otra vez aquí").tap()
    page.locator("#photo").set_input_files(SAMPLES / "no-strip.jpg")
    page.get_by_role("button", name="Enviar y leer").tap()
    assert verdict(page) == "SIN LEER: no se encuentra la tira"
    assert page.locator('main [lang="en"]').count() == 0
    assert page.locator(".steps").inner_text() == (
        "Ponga una tira en la ranura, con las almohadillas hacia arriba, y repita la foto."
    )


def test_the_language_is_chosen_on_the_page(open_phone):
    page = open_phone("Ines")
    page.goto("/more")
    page.get_by_label("Language of these pages").select_option("es")
    page.get_by_role("button", name="Change the language").tap()
    page.get_by_role("heading", name="Más").wait_for()
    page.goto("/")
    assert page.get_by_role("link", name="Leer una tira").first.is_visible()
    assert page.locator("html").get_attribute("lang") == "es"
