"""What was typed, what the record then holds and what is shown of it again agree, in gallons as in litres."""

import json
import re
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stripread.i18n import Message, Reader
from stripread.records import Batch, InjectorSetting, Part, from_payload, to_payload
from stripread.report import dilution_answer
from stripread.units import ASSUMED_U, Measured, ParsedInputs, Volume, jug, tell_line_flow, tell_volume, volume_as_typed
from stripread.units.quantities import parse_quantity
from stripread.water import dilute

few = settings(max_examples=150, deadline=None, derandomize=True)
AT = datetime(2026, 5, 4, 6, 30, tzinfo=UTC)
UNITS = {"metric": ("L", "mL"), "us": ("gal", "fl oz", "qt")}
systems = st.sampled_from(["metric", "us"])


def half_a_digit(shown: str) -> tuple[float, float]:
    """The number of an amount and half of its last shown digit; three digits count, or all before the point."""
    number = re.match(r"[\d.]+", shown)[0]
    places = len(number.partition(".")[2])
    digits = len(number.replace(".", "").lstrip("0"))
    return float(number), 0.5 * 10.0 ** -(places + (max(3 - digits, 0) if float(number) else 0))


def recorded(batch: Batch) -> Batch:
    """A batch as it comes back from the record."""
    return from_payload(Batch, json.loads(json.dumps(to_payload(batch))))


def agree(shown: object, litres: float, dimension: str = "volume") -> None:
    """Each amount shown, before the brackets and in them, is what was typed to within half a shown digit."""
    for words in filter(None, re.split(r" \(|\)", str(shown))):
        number, half = half_a_digit(words)
        inside = parse_quantity(words, dimension, name="it", positive=False, exact=True).measured.value
        scale = inside / number if number else 1.0
        assert abs(inside - litres) <= half * scale * (1 + 1e-9), (words, litres)


@given(st.data(), systems, systems)
@few
def test_a_volume_typed_is_shown_again_as_it_was_typed(data, typed_in, shown_in):
    unit = data.draw(st.sampled_from(UNITS[typed_in]))
    text = f"{data.draw(st.decimals('0.1', 2000, places=2))} {unit}"
    typed = ParsedInputs()
    water = typed.measured(text, "volume", name="the water")
    assert typed.system == typed_in
    batch = recorded(
        Batch(
            id="S-1", kind="stock", made_at=AT, made_by="Ines", water_l=water.value, u_water_l=water.u,
            parts=(Part(batch="C-1", volume_l=water.value, u_volume_l=water.u),),
        )
    )  # fmt: skip
    for litres in (batch.water_l, batch.parts[0].volume_l):
        agree(tell_volume(litres, shown_in), water.value)


@given(st.integers(100, 999), st.integers(0, 2))
@few
def test_gallons_typed_come_back_from_the_litres_of_a_finding(digits, places):
    gallons = f"{digits / 10**places:.3g}"
    litres = ParsedInputs().measured(f"{gallons} gal", "volume", name="the water").value
    said = Message("%(batch)s, %(volume)s of water", batch="S-1", volume=Volume(litres))
    assert said.shown(Reader(units="us")).startswith(f"S-1, {gallons} US gal (")
    assert said.shown(Reader(units="us")).endswith(" L) of water")


@given(st.decimals("0.1", 900, places=1), systems)
@few
def test_a_flow_typed_is_shown_again_as_it_was_typed(number, system):
    text = f"{number} {'L/min' if system == 'metric' else 'gpm'}"
    litres_per_h = ParsedInputs().exact(text, "flow", name="the flow")
    said = InjectorSetting(injector="main", since=AT, ratio=200.0, convention="in", flow_l_per_min=litres_per_h / 60)
    again = from_payload(InjectorSetting, json.loads(json.dumps(to_payload(said))))
    agree(tell_line_flow(again.flow_l_per_min, system), litres_per_h, "flow")


@given(st.floats(0.5, 3000), st.floats(240, 900), systems)
@few
def test_a_plan_entered_as_it_stands_in_the_form_is_shown_in_the_words_of_the_plan(total, strength, system):
    unit = "L" if system == "metric" else "gal"
    typed = ParsedInputs(usual="metric" if system == "us" else "us")
    asked = typed.exact(f"{total:.2f} {unit}", "volume", name="the stock to make")
    assert typed.system == system
    concentrate = Measured(strength, 0.05 * strength)
    made = dilute(concentrate, wanted_mg_per_l=220.0, total_l=asked, pour_u=ASSUMED_U["volume"])
    answer = dilution_answer(
        made, concentrate=concentrate, wanted=220.0, pour_u=ASSUMED_U["volume"], system=typed.system
    )
    for litres in (answer.result.water_l, answer.result.concentrate_l):
        form = volume_as_typed(litres, typed.system)
        entered = parse_quantity(form, "volume", name="it", positive=False).measured.value
        batch = recorded(Batch(id="S-1", kind="stock", made_at=AT, made_by="Ines", water_l=entered))
        shown = tell_volume(batch.water_l, typed.system)
        assert str(shown) in str(answer.headline) or litres == 0
        assert jug(entered, typed.system) == pytest.approx(entered)  # a jug has a mark there
