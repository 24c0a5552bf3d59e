"""The plain form of a consultation as text."""

from __future__ import annotations

import json

from faultfinder.consultation.consult import Consultation


def next_json(told: Consultation, why: str | None = None) -> str:
    """One JSON object, ASCII only, valid whatever the figures are: see
    `faultfinder.consultation.plain.plain_form`."""
    # DEL is the one control character that JSON lets through.
    return json.dumps(told.as_plain(why), indent=2, allow_nan=False).replace("\x7f", "\\u007f")
