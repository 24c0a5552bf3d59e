"""HTML pages: Jinja2 templates under `templates/`, with one stylesheet and one policy.

`templates/base.html` holds the policy of every page: nothing on it runs, and nothing is
fetched. Jinja2 is imported when a page is made and not before.
"""

from __future__ import annotations

import functools
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faultfinder.report.wording import harmless, minutes, percent

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"


def render(template: str, **values: Any) -> str:
    """A page. All text in it is escaped, and made harmless line by line; what a template
    asks for and `values` do not hold is an error."""
    return _environment().get_template(template).render(**values)


@functools.cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalised,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters |= {"percent": percent, "minutes": minutes}
    return made


def _finalised(value: object) -> object:
    # What templates themselves put together (macros) is markup, and stays as it is.
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return "\n".join(map(harmless, value.split("\n")))
    return value


def minute_of(at: str) -> str:
    """A time of the log to the minute; it is UTC, as the headings say."""
    return f"{at[:10]} {at[11:16]}" if re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d.*", at) else at
