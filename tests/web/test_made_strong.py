"""The page says what may explode, what rests on an invented sachet, how warm the water was, and to wait."""

from tests.web.test_batches import post, read, typed_in


def entered(client, where, **fields):
    """Enter a batch and return its page."""
    return client.get(post(client, where, **fields).headers["location"]).text


def test_the_plan_of_too_strong_a_concentrate_warns_of_explosion(signed_in):
    client = signed_in("Ines")
    strong = client.get("/batches/generate", params={"water": "1 L", "after": "24 h"}).text
    assert "EXPLOSION: " in strong
    assert "EXPLOSION" not in client.get("/batches/generate", params={"water": "20 L", "after": "24 h"}).text


def test_figures_of_the_example_are_marked_in_the_plan_and_on_the_batch(signed_in):
    client = signed_in("Ines")
    page = client.get("/batches/generate", params={"water": "20 L", "after": "12 h"}).text
    assert "EXAMPLE FIGURES" in page
    assert "--sachet" not in page
    assert "--temperature" not in page
    made = entered(client, "/batches/generate", **{**typed_in(page), "id": "C-1"})
    assert "EXAMPLE FIGURES" in made
    stock = entered(client, "/batches/stock", concentrate="C-1", add="10 L", water="10 L", id="S-1")
    assert "EXAMPLE FIGURES" in stock


def test_a_stock_of_a_concentrate_that_was_read_rests_on_no_example(signed_in, site):
    client = signed_in("Ines")
    page = client.get("/batches/generate", params={"water": "20 L", "after": "12 h"}).text
    post(client, "/batches/generate", **{**typed_in(page), "id": "C-1"})
    read(site, "C-1", 400.0, sample="concentrate", hours_ago=0.0)
    stock = entered(client, "/batches/stock", concentrate="C-1", add="10 L", water="10 L", id="S-1")
    assert "EXAMPLE FIGURES" not in stock


def test_the_water_s_temperature_is_asked_kept_and_told(signed_in):
    client = signed_in("Ines")
    params = {"water": "20 L", "after": "12 h", "temperature": "41 F"}
    page = client.get("/batches/generate", params=params).text
    assert "expect 280 mg/L" in page  # 450 mg/L by what 12 h at 5 C release: 0.62, the water 20 L
    assert typed_in(page)["temperature"] == "41 F"
    made = entered(client, "/batches/generate", **{**typed_in(page), "id": "C-1"})
    assert ", 5 C" in made


def test_a_stock_s_steps_say_to_wait_and_where_to_dip(signed_in):
    page = (
        signed_in("Ines")
        .get("/batches/stock", params={"make": "10 L", "strength": "435 mg/L u 20", "wanted": "220 mg/L"})
        .text
    )
    assert "layered" in page
    assert "below the surface" in page


def test_a_strong_batch_warns_on_its_page(signed_in):
    client = signed_in("Ines")
    made = entered(client, "/batches/generate", water="1 L", after="24 h", sachets="1", sachet="example", id="C-1")
    assert "EXPLOSION: " in made
