"""Words that are data too: they stand in files and in the record as they are, and are shown in the reader's language.

Nothing imports this list: it is here to be found by the extractor, as a site may hold any name. What is not in it, as
a name of the site's own, is shown as it stands.
"""

from stripread.i18n.message import Message

__all__ = ["VOCABULARY"]

VOCABULARY = (
    # people
    Message("technician"),
    Message("supervisor"),
    Message("grower"),
    # batches, and how they are kept
    Message("concentrate"),
    Message("stock"),
    Message("top-up"),
    Message("open"),
    Message("covered"),
    Message("sealed"),
    # what marks a trend
    Message("lot"),
    Message("injector"),
    Message("event"),
    # stores
    Message("sachets"),
    Message("strips"),
    # events, and what is ticked after one
    Message("power cut"),
    Message("flush"),
    Message("shock"),
    Message("filter change"),
    Message("delivery"),
    Message("protective equipment"),
    Message("re-entry"),
    Message("aired"),
    Message("waiting time of the label over"),
    Message("missed"),
    Message("check"),
    Message("crop off the line"),
    Message("line rinsed"),
    # what strips and other means measure, and what the demo nursery samples
    Message("chlorine dioxide"),
    Message("free chlorine"),
    Message("total chlorine"),
    Message("chlorite"),
    Message("chlorate"),
    Message("pH"),
    Message("temperature"),
    Message("ORP"),
    Message("turbidity"),
    Message("conductivity"),
    Message("flow"),
    Message("source"),
    Message("line"),
    Message("return"),
    Message("tap"),
    # kinds of entries, and what may be wrong with the record
    Message("reading"),
    Message("batch"),
    Message("point"),
    Message("note"),
    Message("injector setting"),
    Message("check standard"),
    Message("card print"),
    Message("account"),
    Message("calibration"),
    Message("changed"),
    Message("removed"),
    Message("inserted"),
    Message("cut off"),
    Message("rewritten"),
    Message("file changed"),
    Message("file removed"),
    Message("narrow table"),
    Message("head missing"),
    Message("check lost"),
    Message("not accepted"),
    Message("guard removed"),
    Message("head behind"),
    Message("noted heads"),
    # months, as reports have them
    Message("Jan"),
    Message("Feb"),
    Message("Mar"),
    Message("Apr"),
    Message("May"),
    Message("Jun"),
    Message("Jul"),
    Message("Aug"),
    Message("Sep"),
    Message("Oct"),
    Message("Nov"),
    Message("Dec"),
    # how colours were corrected
    Message("root-polynomial"),
    Message("spectral"),
    Message("linear"),
    # files and tables that the site or the record names
    Message("card"),
    Message("kind"),
    Message("photo"),
    Message("flash photo"),
    # a calibration under way
    Message("accepted"),
    Message("rejected"),
    # published limits, kills and practices, and how a product stands to them
    Message("mean of an 8 hour working day"),
    Message("mean of 15 minutes"),
    Message("immediately dangerous to life or health"),
    Message("treatment target (2 ppm after 20 min)"),
    Message("shock treatment of lines, lower end (20 to 50 ppm, 12 h, twice a year, then rinsed)"),
    Message("reached"),
    Message("not reached"),
    Message("undecided"),
)
