"""Where the tickets lie when nobody says otherwise. Told without importing a database."""

from __future__ import annotations

from faultfinder.folders import user_place

SERVERS = ("postgresql:", "postgresql+")
"""How the address of a server begins."""


def store_address() -> str:
    """FAULTFINDER_DB, or tickets.db in the user's data folder."""
    place = user_place("FAULTFINDER_DB", "XDG_DATA_HOME", "~/.local/share", "tickets.db")
    text = str(place)
    # A path swallows one of the two slashes of an address.
    return text.replace(":/", "://", 1) if text.startswith("postgresql") else text
