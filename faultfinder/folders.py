"""Where a user's own files lie: named by a variable, or in the desktop's usual folders."""

from __future__ import annotations

import os
from pathlib import Path


def user_place(variable: str, base_variable: str, base: str, name: str = "") -> Path:
    """What `variable` names, or `name` in this program's folder below the user's base folder.

    `base_variable` is the XDG variable of that base folder, `base` what it is when unset.
    """
    own = os.environ.get(variable)
    if own:
        return Path(own)
    return Path(os.environ.get(base_variable) or os.path.expanduser(base)) / "faultfinder" / name
