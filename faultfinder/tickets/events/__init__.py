"""What can happen to a ticket: a file for each kind of event, and nothing else knows the kinds.

The log of events is the truth; nothing in it is changed. An entry that was wrong is taken back by
another one that says so. What people wrote in their own words is kept beside the log, so that it
can be erased.

A new kind is a new file here: its fields with their limits, its words, what it changes on a
ticket. It is found by itself; those that other rooms name stand below.
"""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules

from faultfinder.tickets.events.agreed import Agreed
from faultfinder.tickets.events.arrived import Arrived
from faultfinder.tickets.events.closed import Closed, Outcome
from faultfinder.tickets.events.entry import ERASED_TEXT, KINDS, Entry, Titles
from faultfinder.tickets.events.erased import Erased
from faultfinder.tickets.events.found import Found
from faultfinder.tickets.events.held import Held, Waiting
from faultfinder.tickets.events.intake import CONSENTS, PERSONAL, Intake
from faultfinder.tickets.events.judged import Judged
from faultfinder.tickets.events.log import (
    Event,
    Unreadable,
    entry_of,
    made_event,
    read_event,
    to_text,
)
from faultfinder.tickets.events.moved import Moved
from faultfinder.tickets.events.note import Note
from faultfinder.tickets.events.ordered import Ordered
from faultfinder.tickets.events.person import Person
from faultfinder.tickets.events.proved import Proved
from faultfinder.tickets.events.remodelled import Remodelled
from faultfinder.tickets.events.repaired import Repaired
from faultfinder.tickets.events.resumed import Resumed
from faultfinder.tickets.events.taken_back import TakenBack
from faultfinder.tickets.events.tried import Tried

for _found in iter_modules(__path__):
    import_module(f"{__name__}.{_found.name}")

__all__ = [
    "CONSENTS",
    "ERASED_TEXT",
    "KINDS",
    "PERSONAL",
    "Agreed",
    "Arrived",
    "Closed",
    "Entry",
    "Erased",
    "Event",
    "Found",
    "Held",
    "Intake",
    "Judged",
    "Moved",
    "Note",
    "Ordered",
    "Outcome",
    "Person",
    "Proved",
    "Remodelled",
    "Repaired",
    "Resumed",
    "TakenBack",
    "Titles",
    "Tried",
    "Unreadable",
    "Waiting",
    "entry_of",
    "made_event",
    "read_event",
    "to_text",
]
