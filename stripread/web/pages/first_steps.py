"""What is still to be done before strips are read every day: a list that ticks itself."""

from dataclasses import dataclass
from datetime import datetime

from stripread.i18n import Message, Shown
from stripread.records import ReadingFilter, Records
from stripread.site import Site
from stripread.web.state import AppState

__all__ = ["Step", "first_steps"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step: where it is done, why, and whether it is."""

    words: Shown
    why: Shown
    href: str
    done: bool


def first_steps(state: AppState, records: Records, site: Site) -> tuple[Step, ...]:
    """Return the steps; none once all are done."""
    steps = [
        Step(
            words=Message("Print the card and enter its colours"),
            why=Message("The card tells what light and phone did to the colours; each printing is measured once."),
            href="/card", done=bool(site.cards),
        ),
        Step(
            words=Message("Name the points where samples are taken"),
            why=Message("A reading without a place tells nothing of where something is wrong."),
            href="/points-admin", done=bool(records.points_in_order()),
        ),
        Step(
            words=Message("Calibrate a lot of strips"),
            why=Message("Each lot has its own colours; its interval comes from strips of known dilutions."),
            href="/lots", done=bool(site.lots),
        ),
    ]  # fmt: skip
    if state.settings.lan:
        paired = bool(state.people.phones(now=datetime.now().astimezone()))
        why = Message("Only phones that you let in reach this page.")
        steps.append(Step(words=Message("Let a phone in"), why=why, href="/people", done=paired))
    read = bool(records.readings(ReadingFilter(), limit=1))
    why = Message("Choose a point, dip, and follow the screen.")
    steps.append(Step(words=Message("Read the first strip"), why=why, href="/read", done=read))
    return () if all(step.done for step in steps) else tuple(steps)
