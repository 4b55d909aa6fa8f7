"""What a worker process does with one job: read, judge with the record, record, draw. No request reaches here."""

from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from stripread.check import Verdict
from stripread.errors import RecordsError, StripReadError
from stripread.i18n import Joined, Message, Shown
from stripread.photo import PhotoFile, decode_photo, open_photo_bytes, suggested_reduction
from stripread.records import open_site_records
from stripread.report import (
    Headline,
    diluted_line,
    draw_closeup,
    draw_plain,
    error_headline,
    pad_words,
    proven_words,
    save_picture,
    steps_of,
    verdict_headline,
)
from stripread.site import Site, load_site, resolve_card, resolve_lot
from stripread.units import kept_findings, kept_message
from stripread.water import parse_dilution
from stripread.web.queue.inbox import Inbox, Job
from stripread.web.queue.second_strip import first_strip_of, flash_of
from stripread.workflow import SampleContext, judge_reading, read_and_record_sample, resolve_inputs

__all__ = ["answer_job"]


def answer_job(folder: str, job_id: str) -> None:
    """Read a job's photo and keep the answer; whatever the photo is, there is one.

    Raises
    ------
    RecordsError, SiteError, OSError
        If record, site file or disk is not in order: that says nothing of the photo, and no answer is kept.
    """
    import cv2

    cv2.setNumThreads(1)
    inbox = Inbox(Path(folder))
    job = inbox.job(job_id)
    if job is None or inbox.answered(job_id) is not None:
        return
    site = load_site(Path(folder))
    try:
        file = open_photo_bytes(inbox.photo(job_id).read_bytes(), job.name)
        flash = flash_of(inbox, job)
    except StripReadError as error:
        inbox.answer(job_id, _refusal(error))
        return
    try:
        answer = _read(site, inbox, job, file, flash)
    except RecordsError:
        raise
    except StripReadError as error:
        _keep_picture(site, inbox, job, file)
        answer = _refusal(error)
    inbox.answer(job_id, answer)


def _read(site: Site, inbox: Inbox, job: Job, file: PhotoFile, flash: PhotoFile | None) -> dict[str, Any]:
    inputs, now = resolve_inputs(job.lot, site), datetime.fromisoformat(job.at)
    context = SampleContext(
        sample=site.sample(job.sample),
        point=job.point,
        batch=job.batch,
        who=job.who,
        dipped_at=_dipped(job, file.taken_at),
        flushed_s=job.flushed_s,
        waited_s=job.waited_s,
        flash=flash,
        dilution=None if job.diluted is None else parse_dilution(job.diluted),
        first_strip=first_strip_of(inbox, job),
        job=job.id,
    )
    done = read_and_record_sample(partial(open_site_records, site), [file], inputs, context, now=now)
    save_picture(draw_closeup(done.reading), inbox.picture(job.id))
    answer = _answer(done.verdict, done.entry)
    answer["proven"] = kept_message(proven_words(done.proven))
    if done.compared is not None and done.compared.first is not None:
        both = (done.compared.first, done.compared.together)
        alone = SampleContext(sample=context.sample)  # the other strip has its own dip, and its own place in the record
        answer["both"] = [_told(judge_reading(one, alone, now=now)) for one in both if one is not None]
    return answer


def _told(verdict: Verdict) -> dict[str, Any]:
    headline = verdict_headline(verdict)
    words = [kept_message(Joined((w.value, w.interval), ", ")) for w in (pad_words(verdict, p) for p in verdict.pads)]
    return {"symbol": headline.symbol, "words": kept_message(headline.words), "pads": words}


def _dipped(job: Job, taken_at: datetime | None) -> datetime | None:
    """Return when the strip was dipped: its wait before the photo, on the clock that dated the photo."""
    if job.waited_s is None or taken_at is None:
        return None
    return taken_at - timedelta(seconds=job.waited_s)


def _answer(verdict: Verdict, entry: int) -> dict[str, Any]:
    headline, taken, dilution = _headline(verdict), verdict.reading.taken_at, verdict.reading.dilution
    return {
        "read": True,
        "entry": entry,
        "sign": headline.sign,
        "state": headline.state,
        "symbol": headline.symbol,
        "words": kept_message(headline.words),
        "validity": verdict.validity,
        "taken_at": None if taken is None else taken.isoformat(),
        "pads": [_pad(verdict, index) for index in range(len(verdict.pads))],
        "diluted": None if dilution is None else kept_message(diluted_line(verdict, dilution)),
        "steps": [kept_message(step) for step in (*_asked_in_vain(verdict), *steps_of(verdict))],
        "findings": [
            {"code": f.code, "severity": f.severity, **kept}
            for f, kept in zip(verdict.findings, kept_findings(verdict.findings), strict=True)
        ],
        "cautions": list(map(kept_message, verdict.cautions)),
    }


def _headline(verdict: Verdict) -> Headline:
    """Return the verdict; where the photo's time is not of today there is no tick: it may be another sample's."""
    headline, taken = verdict_headline(verdict), verdict.reading.taken_at
    if headline.sign != "tick" or taken is None or not any(f.code == "clock_wrong" for f in verdict.findings):
        return headline
    day = taken.date().isoformat()
    words = Message("%(verdict)s, but the photo is of %(day)s: is it this sample?", verdict=headline.words, day=day)
    return replace(headline, sign="question", words=words, state="undecided")


def _asked_in_vain(verdict: Verdict) -> list[Shown]:
    """Return what to do where two strips were to agree, and nobody knows whether they do."""
    return [text for f in verdict.findings if f.code == "replicates_not_compared" for text in (f.message, f.advice)]


def _pad(verdict: Verdict, index: int) -> dict[str, Any]:
    judged = verdict.pads[index]
    pad, words = judged.reading, pad_words(verdict, judged)
    expected = None if verdict.sample is None else verdict.sample.expectation(pad.analyte)
    return {
        "analyte": pad.analyte,
        "unit": pad.unit,
        "value_words": kept_message(words.value),
        "interval_words": kept_message(words.interval),
        "value": pad.value,
        "interval": None if pad.interval is None else list(pad.interval),
        "range_state": judged.range_state,
        "expected": None if expected is None else [expected.low, expected.high],
        "expected_words": None if expected is None else kept_message(expected.words),
    }


def _refusal(error: StripReadError) -> dict[str, Any]:
    headline = error_headline(error)
    return {
        "read": False,
        "sign": headline.sign,
        "state": headline.state,
        "symbol": headline.symbol,
        "words": kept_message(headline.words),
        "code": error.code,
        "expected": kept_message(error.expected),
        "found": kept_message(error.found),
        "steps": [kept_message(error.remedy)],
    }


def _keep_picture(site: Site, inbox: Inbox, job: Job, file: PhotoFile) -> None:
    """Keep the photo small enough to be looked at, where it can be decoded."""
    with suppress(StripReadError):
        card = resolve_card(site.card_for(resolve_lot(job.lot, site).card), site)
        photo = decode_photo(file, reduction=suggested_reduction(file))
        save_picture(draw_plain(photo, card), inbox.picture(job.id))
