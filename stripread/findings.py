"""The one list of every finding: code, severity, what it means and what to do about it.

Rules, faces, docs and tests all read this list. A finding doubts a measurement or explains it; where there is no
measurement, an error of ``errors.py`` is raised instead.
"""

from dataclasses import dataclass
from typing import Literal

from stripread.i18n import ByFace, Joined, Message, Shown

__all__ = [
    "HIGHER_KIND",
    "REGISTRY",
    "VERIFY_LOT",
    "About",
    "Finding",
    "FindingKind",
    "Severity",
    "dilute",
    "make_finding",
    "worst_severity",
]

Severity = Literal["info", "warning", "error"]
About = Literal["measurement", "sample"]
_ORDER: dict[Severity, int] = {"info": 0, "warning": 1, "error": 2}


@dataclass(frozen=True, slots=True)
class FindingKind:
    """An entry of the list.

    ``info`` explains, ``warning`` makes a reading doubtful, ``error`` makes it invalid: where it is about the
    measurement. A finding about the sample tells of the water, and a good reading of bad water is a valid one.
    """

    code: str
    severity: Severity
    meaning: Message
    advice: Shown
    about: About = "measurement"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding about one reading: the evidence in ``message``, what to do in ``advice``."""

    code: str
    severity: Severity
    message: Shown
    advice: Shown


VERIFY_LOT = ByFace(
    Message("Read a fresh known dilution: stripread lot verify."), Message("Read a fresh known dilution.")
)
HIGHER_KIND = Message("Or use a kind with a higher range.")


def dilute(n: int) -> ByFace:
    """Return the advice to dilute a sample 1 part in ``n`` and to read it as diluted."""
    return ByFace(
        Message(
            "Dilute the sample 1 part in %(whole)s (one measure of it and %(water)s of water), dip a new strip, and "
            'read it with --diluted "1 part in %(whole)s".',
            whole=n,
            water=n - 1,
        ),
        Message(
            "Dilute the sample 1 part in %(whole)s (one measure of it and %(water)s of water), dip a new strip, and "
            "fill in 1 and %(whole)s under “Diluted?” when you read it.",
            whole=n,
            water=n - 1,
        ),
    )


_KINDS = (
    # the photo
    FindingKind("photo_soft", "warning",
                Message("The photo is out of focus or was moved."),
                Message("Hold the phone still with both hands, tap on the card to focus, and take the photo again.")),
    FindingKind("photo_clipped", "warning",
                Message("Some patches are too bright for the camera and carry no colour."),
                Message("Tap on the white of the card so that the phone exposes for it, or move out of the sun; "
                        "retake.")),
    FindingKind("photo_dark", "warning",
                Message("The photo is too dark to measure well."),
                Message("Bring the card into more light, without the flash if it glares; retake.")),
    FindingKind("glare_on_pad", "warning",
                Message("Light mirrors in the wet pad and hides its colour."),
                Message("Tilt the phone or turn the card so that no lamp or window mirrors in the pad; retake.")),
    FindingKind("shadow_edge", "warning",
                Message("The edge of a shadow crosses the card or the pad."),
                Message("Move so that neither you nor a frame throws a shadow on the card; retake.")),
    FindingKind("mixed_light", "warning",
                Message("Lights of different colour fall on different parts of the card."),
                Message("Switch off or shade one of the lights, or turn the card; retake.")),
    FindingKind("light_unknown", "info",
                Message("The card cannot tell whether lights of different colour fall on it."),
                Message("The interval allows for it. A card with greys in more than one row tells it.")),
    FindingKind("grey_for_white", "info",
                Message("The card's white could not be used and the next grey took its place."),
                Message("The interval allows for it. Tap on the white of the card so that the phone exposes for it.")),
    FindingKind("uneven_light", "info",
                Message("The light falls off over the card; it was fitted and divided out."),
                Message("Even light gives a narrower interval: turn the card square to the light.")),
    FindingKind("pad_small", "warning",
                Message("The pad covers few pixels."),
                Message("Go closer, until the card fills at least half of the picture's width; retake.")),
    FindingKind("card_covered", "warning",
                Message("Part of the card is covered, wet or out of the picture."),
                Message("Clear the card, keep all of it in view, and retake.")),
    # a flash pair
    FindingKind("flash_weak", "warning",
                Message("The flash is weak beside the light that is there anyway."),
                Message("Go closer or into the shade, and take both photos again.")),
    FindingKind("strip_moved", "warning",
                Message("The strip was moved between the two photos of a flash pair."),
                Message("Let strip and card lie still, and take both photos again.")),
    FindingKind("flash_misfit", "warning",
                Message("The two photos do not add up to the flash of the lot's calibration."),
                Message("Use the phone of the calibration, keep your own shadow and moving light off the card; "
                        "retake both.")),
    # the card
    FindingKind("marker_missing", "info",
                Message("One of the four markers was not found; the other three were used."),
                Message("Keep all four corners of the card in view and clear.")),
    FindingKind("card_bent", "warning",
                Message("The card is not flat."),
                Message("Lay the card on a flat, hard surface, or print a new one on stiffer paper; retake.")),
    FindingKind("card_not_enrolled", "info",
                Message("The colours of this card print were never measured."),
                Message("The interval allows for it. Measure the print and enrol it for a narrower one.")),
    FindingKind("patch_disagrees", "warning",
                Message("Patches no longer agree with the enrolment: faded, wet or stained."),
                Message("Wipe and dry the card or print a new one; keep it dry and dark.")),
    FindingKind("poor_correction", "warning",
                Message("The colours of the card could not be matched well in this light."),
                Message("Move to daylight or plain white light, away from coloured or grow lamps; retake.")),
    # the strip and its lot
    FindingKind("pad_not_seen", "warning",
                Message("No pad shows on the strip: it has its plastic's colour, or lies face down."),
                Message("Make sure that the pads face up; if they do, the strip shows nothing. Dip a new one to be "
                        "sure.")),
    FindingKind("end_by_mark", "warning",
                Message("Which end of the strip is the tip was taken from the card's tip mark."),
                Message("Make sure that the dipped tip lies at the mark; if not, turn the strip and retake.")),
    FindingKind("pad_uneven", "warning",
                Message("The pad's colour is uneven."),
                Message("Dip a new strip as its kind says, shake off the drop, and photograph it within its read "
                        "window.")),
    FindingKind("off_curve", "error",
                Message("The pad's colour is none that this lot shows at any concentration."),
                Message("Check lot and strip kind on the vial, look for contamination, and dip a new strip.")),
    FindingKind("ambiguous_colour", "error",
                Message("Two concentrations fit the pad's colour about equally well."),
                Joined((dilute(10), Message("Or use the kind with the other range.")))),
    FindingKind("possible_bleaching", "error",
                Message("A strong solution may have bleached the pad."),
                ByFace(
                    Message("Do not trust a pale pad here. Use the wide-range kind, or dilute the sample by a known "
                            "factor and read it with --diluted."),
                    Message("Do not trust a pale pad here. Use the wide-range kind, or dilute the sample by a known "
                            "factor and say so under “Diluted?”."),
                )),
    FindingKind("sample_diluted", "info",
                Message("The sample was diluted before the dip: the numbers are those of the undiluted one."),
                Message("Dilute with water that takes no disinfectant itself, as deionised water: what it takes makes "
                        "the result too low.")),
    FindingKind("not_of_diluted", "info",
                Message("The pad tells nothing of a sample that was diluted."),
                Message("Dip another strip into the sample as it is where you need this number.")),
    FindingKind("below_lod", "info",
                Message("The colour cannot be told from a blank."),
                Message("Report it as not detected; if more was expected, check the dosing and dip a new strip.")),
    FindingKind("below_loq", "info",
                Message("Something is there, but too little to put a number on."),
                Message("Report it as under the limit; use a kind with a lower range where a number is needed.")),
    FindingKind("above_top", "warning",
                Message("The colour is at or over the strongest calibrator."),
                Joined((dilute(10), HIGHER_KIND))),
    FindingKind("lot_expired", "warning",
                Message("The lot is past its expiry date."),
                Message("Use a fresh lot; calibrate it first.")),
    FindingKind("provisional_lot", "warning",
                Message("The lot was never calibrated: its curve is the chart on its vial."),
                Message("Take the number for a hint, as by eye. Calibrate the lot from known dilutions before you "
                        "rely on it.")),
    FindingKind("lot_not_calibrated_for_card", "info",
                Message("The lot was calibrated with another card print."),
                Message("The interval allows for it. Check a known dilution with this card.")),
    FindingKind("correction_differs", "info",
                Message("The lot's photos were corrected in another way than this one."),
                Message("The interval allows for it. Check a known dilution, or calibrate the lot with this card.")),
    FindingKind("unfamiliar_light", "info",
                Message("Light or phone are unlike those of the lot's calibration."),
                Message("The interval allows for it. For a narrower one take the photo where the lot was "
                        "calibrated, with that phone, or add this place to the lot with a blank and two known "
                        "dilutions.")),
    # the strip against the sample
    FindingKind("wrong_range_strip", "error",
                Message("This strip kind cannot judge the range expected for the sample."),
                Message("Use the kind that the site lists for this sample.")),
    FindingKind("photo_left_out", "warning",
                Message("One photo disagrees with all the others and was left out of the mean."),
                Message("Look at that photo: glare, a shadow, another strip, a strip dipped for longer. Retake it.")),
    FindingKind("photos_alike", "info",
                Message("Photos of one strip are so alike that they are rounded alike, and bring little new."),
                Message("For a better mean, move the phone between the photos, or make one of them brighter.")),
    FindingKind("together_disagree", "error",
                Message("The photos taken together differ by more than their uncertainty."),
                Message("Take the photos again, and one or two more; dip a new strip if they still differ.")),
    FindingKind("replicates_disagree", "warning",
                Message("Strips of one sample differ by more than their uncertainty."),
                Message("Dip two new strips from a fresh sample; look for the wrong kind, an old strip or bad "
                        "mixing.")),
    FindingKind("replicates_not_compared", "info",
                Message("This strip was not held against the first one of its sample."),
                Message("Take both strips from one vial at one point: read the first again, then dip the second "
                        "beside it.")),
    FindingKind("outside_read_window", "warning",
                Message("The strip was photographed outside its read window."),
                Message("Dip a new strip and photograph it within the window that its kind states.")),
    FindingKind("read_window_unknown", "info",
                Message("The photo carries no time, so the read window was not checked."),
                Message("Let the phone's camera store the time, and photograph the strip within its read window.")),
    # the strip against the record
    FindingKind("file_not_accepted", "error",
                Message("The file of the lot or card is not the one that was accepted."),
                ByFace(
                    Message("Put the accepted file back: the record keeps it under its SHA-256 in lots or cards. If "
                            "the new one is right, somebody who answers for it accepts it: stripread lot accept, "
                            "stripread card accept."),
                    Message("Read nothing with it. Whoever keeps this machine puts the accepted file back, or a "
                            "supervisor accepts the new one under Lots or Cards."))),
    FindingKind("file_never_accepted", "info",
                Message("Nobody has accepted the file of the lot or card."),
                ByFace(
                    Message("Whoever answers for the calibration looks at it and accepts it: stripread lot accept, "
                            "stripread card accept. From then on a changed file shows."),
                    Message("A supervisor looks at it and accepts it under Lots or Cards. From then on a changed file "
                            "shows."))),
    FindingKind("photo_seen_before", "error",
                Message("This photo stands in the record already."),
                Message("Photograph the strip of this sample. If the first entry was wrong, correct that one.")),
    FindingKind("dip_seen_before", "warning",
                Message("Too little time lies between two points for a new sample."),
                Message("Flush this point, dip a new strip here and photograph it; one strip tells of one point "
                        "only.")),
    FindingKind("clock_wrong", "warning",
                Message("The photo's time cannot be right."),
                Message("Set the phone's clock, and photograph the strip again within its read window.")),
    FindingKind("clock_stepped", "warning",
                Message("The computer's clock was set back, or far ahead, since the last entry of the record."),
                Message("Set the clock of the machine that keeps the record, then read again. Correct what was entered "
                        "while it was wrong.")),
    FindingKind("flush_not_kept", "warning",
                Message("The outlet was flushed for less time than its point asks."),
                Message("What stood in the pipe was read. Flush for the whole time, then dip a new strip.")),
    FindingKind("lot_never_checked", "info",
                Message("No check standard was ever read with this lot."),
                VERIFY_LOT),
    FindingKind("lot_drifts", "warning",
                Message("The lot's check standards have moved away from their known values."),
                Message("Read a fresh known dilution; if it is off as well, calibrate the lot anew or open another "
                        "vial.")),
    # other means against the strip
    FindingKind("methods_differ", "warning",
                Message("Two means, such as a strip and a meter, disagree about one sample."),
                Message("Read a fresh sample by both at once. If they differ again, check a known dilution with the "
                        "strip and a standard with the meter; use neither number until you know which one is wrong.")),
    # the sample
    FindingKind("event_not_over", "warning",
                Message("A treatment of this line is not over: its checks are not all ticked."),
                Message("Let no crop have this water before the line is rinsed and all checks are ticked. Product "
                        "label, local codes and licensed practice come first."),
                "sample"),
    FindingKind("residual_before_injector", "warning",
                Message("There is a residual before the injector."),
                Message("Look for a back flow, a wrong point or a second feed before you trust any dose; sample "
                        "again."),
                "sample"),
    FindingKind("stock_past_its_time", "warning",
                Message("The stock is older than it is good for."),
                Message("Read its strength; make a new one as the product's label says if it is under its limit."),
                "sample"),
    FindingKind("weaker_than_forecast", "warning",
                Message("The stock has lost more strength than predicted."),
                Message("Look at the cover, at stirring and at sun on the tank; read again, then top up or set the "
                        "injector."),
                "sample"),
    FindingKind("jump_at_point", "warning",
                Message("The reading lies outside this point's own scatter."),
                Message("Repeat with a new strip; if it stands, look at stock, injector and valves since the last "
                        "reading."),
                "sample"),
    FindingKind("line_falls_faster", "warning",
                Message("The line takes more from outlet to outlet than it used to."),
                Message("Flush the line, look for biofilm, dirt or a leak between both outlets, and read both again."),
                "sample"),
    FindingKind("drift_at_point", "info",
                Message("The readings of this point creep away from where they began."),
                Message("Look at the trend of the point, at the age of the stock and at the injector's setting."),
                "sample"),
    FindingKind("out_of_range", "warning",
                Message("The concentration is outside the range expected for the sample."),
                Message("Repeat with a new strip; if it stands, correct the dosing as the product's label says."),
                "sample"),
    FindingKind("range_undecided", "info",
                Message("Whether it is within the expected range is neither sure nor ruled out (5 to 95 %)."),
                Message("Read a second strip and take both together before you change the dosing."),
                "sample"),
    FindingKind("recipe_off_range", "warning",
                Message("By mass balance a recipe cannot give the strength that is expected."),
                ByFace(
                    Message("Do not use it as it is: plan the volumes anew from the measured concentrate (stripread "
                            "water dilute), or bring the tank to strength (stripread water top-up), and read it."),
                    Message("Do not use it as it is: plan the volumes anew from the measured concentrate, or bring "
                            "the tank to strength, and read it."),
                ),
                "sample"),
    FindingKind("recipe_mismatch", "warning",
                Message("A recipe and a reading of what was made by it cannot both be right."),
                Message("Read concentrate and stock again, a new strip each, from below the surface and half an hour "
                        "after mixing, as a still tank is layered. Check the volumes; use neither number until you "
                        "know which one is wrong."),
                "sample"),
)  # fmt: skip

REGISTRY: dict[str, FindingKind] = {kind.code: kind for kind in _KINDS}


def make_finding(
    code: str, message: Shown, *, advice: Shown | None = None, severity: Severity | None = None
) -> Finding:
    """Return a finding of the list with its evidence; ``KeyError`` for a code that is not listed."""
    kind = REGISTRY[code]
    return Finding(kind.code, severity or kind.severity, message, advice or kind.advice)


def worst_severity(findings: tuple[Finding, ...]) -> Severity | None:
    """Return the worst severity among the findings, None where there is none."""
    return max((f.severity for f in findings), key=_ORDER.__getitem__, default=None)
