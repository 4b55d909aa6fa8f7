"""How strong a batch is at a time, by its readings, its recipe and what is lost: the one answer for plan and record."""

from dataclasses import replace
from datetime import datetime, timedelta

from stripread.check import Forecast
from stripread.errors import WaterError
from stripread.records.chain import entries as said
from stripread.records.queries.batches import batch_readings, find_batch, warmth_of_batch
from stripread.records.store import Records
from stripread.site import SampleType
from stripread.units import Measured
from stripread.water import (
    COVERS,
    NO_COVER_TOLD,
    LossFit,
    Prior,
    Timed,
    cover_prior,
    fit_loss,
    mix,
    strength_at,
    time_until,
)

__all__ = ["as_expected", "batch_forecast", "entered_strength", "expected_strength", "strength_of", "with_expected"]

_LEAST_U = 1e-6  # of a strength that is stated without uncertainty: a fit needs one
_DEEPEST = 20  # batches made of batches: more is a circle


def strength_of(records: Records, batch: said.Batch, *, at: datetime) -> Measured | None:
    """Return how strong a batch is at a time [mg/L]; None where nothing is known of it.

    Its readings until then tell, aged by what they and its cover say of the loss, else those that came later; never
    more than went in. Without any, what its recipe gives is aged by the cover alone.
    """
    return _strength_of(records, batch, at=at, depth=0)


def _strength_of(records: Records, batch: said.Batch, *, at: datetime, depth: int) -> Measured | None:
    fit = _fit(records, batch, until=at) or _fit(records, batch)
    expected = _expected(records, batch, depth=depth)
    if fit is not None:
        most = None if expected is None else expected.interval[1]
        return strength_at(fit, max(_hours(batch, at), 0.0), most_mg_per_l=most)
    return None if expected is None else _aged(records, expected, batch, at=at)


def expected_strength(records: Records, batch: said.Batch) -> Measured | None:
    """Return what a batch must be by mass balance of its parts as they were when mixed, else as it was entered.

    A strength that a person put in its place goes before both.
    """
    return _expected(records, batch, depth=0)


def entered_strength(batch: said.Batch) -> Measured | None:
    """Return the strength that a batch was entered with [mg/L]; None where nobody knew any."""
    if batch.expected_mg_per_l is None or batch.u_expected_mg_per_l is None:
        return None
    return Measured(batch.expected_mg_per_l, batch.u_expected_mg_per_l, batch.expected_interval)


def _expected(records: Records, batch: said.Batch, *, depth: int) -> Measured | None:
    if batch.parts and not batch.expected_by_hand and depth < _DEEPEST:
        strengths = [_strength_of_part(records, part, at=batch.made_at, depth=depth) for part in batch.parts]
        known = [s for s in strengths if s is not None]
        if len(known) == len(strengths):
            parts = [
                (Measured(part.volume_l, part.u_volume_l), strength)
                for part, strength in zip(batch.parts, known, strict=True)
            ]
            return mix(*parts, (Measured(batch.water_l, batch.u_water_l), Measured(0.0)))
    return entered_strength(batch)


def _strength_of_part(records: Records, part: said.Part, *, at: datetime, depth: int) -> Measured | None:
    batch = None if part.batch is None else find_batch(records, part.batch)
    return None if batch is None else _strength_of(records, batch, at=at, depth=depth + 1)


def with_expected(records: Records, batch: said.Batch) -> said.Batch:
    """Return a batch about to be entered with the strength that mass balance gives, where its parts are known."""
    strength = expected_strength(records, batch)
    if strength is None:
        return batch
    return as_expected(batch, strength)


def as_expected(batch: said.Batch, strength: Measured) -> said.Batch:
    """Return a batch that should have a strength [mg/L]."""
    low, high = strength.interval
    return replace(
        batch,
        expected_mg_per_l=strength.value,
        u_expected_mg_per_l=strength.u,
        expected_interval=None if low is None or high is None else (low, high),
    )


def batch_forecast(records: Records, batch: said.Batch, sample: SampleType, *, at: datetime) -> Forecast | None:
    """Return what the batch should still have, by its own earlier readings and its tank's cover."""
    fit = None if at < batch.made_at else _fit(records, batch, until=at)
    if fit is None:
        return None
    now = strength_at(fit, _hours(batch, at))
    low = sample.main.low
    until = None if low <= 0 else time_until(fit, limit_mg_per_l=low).value
    # Weak from the start: it was never good.
    use_until = None if until is None or until > 24 * 365 else batch.made_at + timedelta(hours=max(until, 0.0))
    return Forecast(value=now.value, u=now.u, made_at=batch.made_at, use_until=use_until, quantiles=now.quantiles)


def _fit(records: Records, batch: said.Batch, *, until: datetime | None = None) -> LossFit | None:
    """Return a batch's loss of strength by its own readings and its tank's cover; None where there is no reading."""
    # A phone may be set to another zone: what seems read before it was made was read when it was new.
    found = batch_readings(records, batch, until=until)
    read = [Timed(max(_hours(batch, when), 0.0), strength) for when, strength in found]
    prior = _prior(records, batch, until=until)
    for used in (read, read[-1:]):  # readings that rise follow no loss: then the last one holds
        try:
            return fit_loss(used, prior=prior)
        except WaterError:
            continue
    return None


def _aged(records: Records, expected: Measured, batch: said.Batch, *, at: datetime) -> Measured:
    """Return what is left of a strength that was never read, by what the tank's cover lets expect."""
    hours = (at - (batch.ready_at or batch.made_at)).total_seconds() / 3600
    if hours <= 0 or expected.value <= 0:
        return expected
    start = replace(expected, u=max(expected.u, _LEAST_U * expected.value))
    return strength_at(fit_loss([Timed(0.0, start)], prior=_prior(records, batch, until=at)), hours)


def _prior(records: Records, batch: said.Batch, *, until: datetime | None) -> Prior:
    """Return what a batch's cover lets expect of its loss, at the temperature that was measured in it, if any was."""
    if batch.cover not in COVERS:
        return NO_COVER_TOLD
    return cover_prior(batch.cover, warmth_of_batch(records, batch, until=until))


def _hours(batch: said.Batch, at: datetime) -> float:
    return (at - batch.made_at).total_seconds() / 3600
