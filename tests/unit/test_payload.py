"""The hashed payload of a reading: pinned to the byte, as old records are verified against it."""

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import cast

import numpy as np

from stripread.check import Verdict, check_reading
from stripread.measure import StripMeasurement
from stripread.records.chain.canonical import canonical_json
from stripread.report import reading_json
from stripread.strip import load_kind
from stripread.workflow import SampleContext, measured_payload, payload
from stripread.workflow.payload import context_of_payload, reading_payload
from tests.unit.made_readings import LINE, TODAY, made_pad, made_reading

DIPPED = datetime(2026, 5, 4, 9, 29, 40, tzinfo=UTC)
CONTEXT = SampleContext(
    sample=LINE, point="bench 1", batch="S-1", who="Ana", dipped_at=DIPPED, flushed_s=95.0, waited_s=20.5, job="ab"
)
WANTED = (
    '{"analyte":"chlorine dioxide","budget":{"pixels":0.02},"camera":null,"card":"print-a","cautions":[],'
    '"censored":null,"correction":{"method":"linear","residual_de00_max":2.346,"residual_de00_mean":1.235},'
    '"coverage":0.95,"delta_e_to_curve":0.3,"findings":[],"flash_photo":null,"flash_photo_sha256":null,'
    '"geometry":{"card_corners":[[1.0,2.12],[3.46,4.0]],"pad_polygons":{"clo2":[[5.0,6.0]]}},'
    '"how":{"batch":"S-1","dipped_at":"2026-05-04T09:29:40+00:00","expected":[{"analyte":"chlorine dioxide",'
    '"high":0.4,"low":0.15,"target":0.28,"unit":"mg/L"}],"flushed_s":95.0,"job":"ab","one_strip":false,'
    '"replicates":false,"software":"stripread 9.9","together":false,"waited_s":20.5},"interval":[0.2108,'
    '0.2892],"kind":"clo2-ultralow","lab":[80.0,5.0,3.0],"limit":null,"lot":"DEMO-1",'
    '"pads":[{"analyte":"chlorine dioxide","budget":{"pixels":0.02},"censored":null,"coverage":0.95,'
    '"delta_e_to_curve":0.3,"findings":[],"interval":[0.2108,0.2892],"lab":[80.0,5.0,3.0],"limit":null,'
    '"pad":"clo2","probability_within":0.97,"range_state":"within","standard_uncertainty":0.02,'
    '"unit":"mg/L","value":0.25}],"photo":"made-up.jpg","photo_sha256":"' + "0" * 64 + '","point":"bench 1",'
    '"probability_within":0.97,"range_state":"within","sample":"line",'
    '"standard_uncertainty":0.02,"taken_at":"2026-05-04T09:30:00+00:00","unit":"mg/L","validity":"valid",'
    '"value":0.25}'
)


def made_verdict() -> Verdict:
    """A reading whose measurement holds just what a payload tells of it."""
    correction = SimpleNamespace(
        map=SimpleNamespace(method="linear"), residual_de00_mean=1.23456, residual_de00_max=2.34567
    )
    card = SimpleNamespace(
        card=SimpleNamespace(name="print-a"),
        correction=correction,
        pose=SimpleNamespace(corners_px=np.array([[1, 2.123], [3.456, 4]])),
    )
    measured = SimpleNamespace(
        kind=load_kind("clo2-ultralow"),
        card=card,
        pads=(SimpleNamespace(pad="clo2", polygon_px=np.array([[5.0, 6.0]])),),
        flash_photo=None,
    )
    reading = made_reading(made_pad(0.25, 0.02), taken_at=datetime(2026, 5, 4, 9, 30, tzinfo=UTC))
    judged = check_reading(reading, sample=LINE, today=TODAY, dipped_at=None)
    pads = (replace(judged.pads[0], probability_within=0.97),)  # its last digits are another's, and of the machine
    return replace(judged, reading=replace(reading, measurement=cast(StripMeasurement, measured)), pads=pads)


def test_the_payload_is_what_it_always_was(monkeypatch):
    monkeypatch.setattr(payload, "__version__", "9.9")
    assert canonical_json(reading_payload(made_verdict(), CONTEXT, ["made-up.jpg"])) == WANTED


def test_a_payload_tells_all_that_is_needed_to_judge_its_sample_again():
    again = context_of_payload(reading_payload(made_verdict(), CONTEXT, []), LINE)
    assert again == replace(CONTEXT, who="", job=None)


def test_photos_taken_together_are_named_and_a_timer_or_job_only_where_there_was_one():
    together = SampleContext(sample=LINE, together=True)
    found = reading_payload(made_verdict(), together, ["a.jpg", "b.jpg"])
    assert found["together"] == ["a.jpg", "b.jpg"]
    assert found["how"].keys().isdisjoint({"waited_s", "job"})
    assert "together" not in reading_payload(made_verdict(), CONTEXT, ["a.jpg"])


def test_what_is_printed_is_the_payload_with_its_times_and_without_the_budget_unless_asked():
    measured = measured_payload(made_verdict(), CONTEXT)
    short = reading_json(measured, photo="x/made-up.jpg", timing_ms={"open": 1.26})
    assert short["photo"] == "x/made-up.jpg"
    assert short["timing_ms"] == {"open": 1.3}
    assert "budget" not in short
    assert "budget" not in short["pads"][0]
    whole = reading_json(measured, photo="made-up.jpg", timing_ms={}, budget=True)
    assert {key: value for key, value in whole.items() if key != "timing_ms"} == measured
