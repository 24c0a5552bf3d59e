"""What a database says when it refuses, as a sentence; nothing was written then."""

from __future__ import annotations

_SQLITE = (
    ("locked", "is in use by another command that takes long. Try again in a moment."),
    ("readonly", "cannot be written to. Give yourself the right to write it and its folder."),
    ("full", "cannot grow: the disk is full. Make room and enter it again."),
    ("disk i/o", "cannot be written: the disk refuses, or is full. Look at it and try again."),
    ("not a database", "is no database of tickets, or it is damaged. Restore a backup of it."),
    ("could not decode", "is damaged. Restore a backup of it."),
    ("malformed", "is damaged. Restore a backup of it."),
    ("unable to open", "cannot be opened. Look at its folder and your rights to it."),
    ("no such table", "lacks tables that belong to it: it is damaged. Restore a backup of it."),
)
_POSTGRES = (
    ("lock timeout", "is in use by another command that takes long. Try again in a moment."),
    ("could not serialize", "was written to by somebody else meanwhile. Enter it again."),
    ("deadlock", "was written to by somebody else meanwhile. Enter it again."),
    ("refused", "cannot be reached. Is the server running, and is its address right?"),
    ("timeout expired", "does not answer. Is the server running, and is its address right?"),
    ("could not translate host", "cannot be found. Is the server's name right?"),
    ("failed to resolve host", "cannot be found. Is the server's name right?"),
    ("no such file", "cannot be reached. Is the server running, and is its address right?"),
    ("password", "refuses this user or password. Ask whoever keeps the server."),
    (
        "permission denied",
        "does not let this user do that: adopting, erasing, restoring and upgrading take the "
        "lead's role, and writing tickets takes the bench's "
        '(see "faultfinder store roles --help").',
    ),
    ("must be owner", "does not let this user do that: it takes the lead's role."),
    ("must be member", "does not let this user hand tables over. Ask whoever keeps the server."),
    ("role", "does not know this user. Ask whoever keeps the server."),
    ("read-only", "cannot be written to. Ask whoever keeps the server."),
    ("disk full", "cannot grow: the server's disk is full. Make room and enter it again."),
    ("no space", "cannot grow: the server's disk is full. Make room and enter it again."),
    ("does not exist", "is not there, or lacks its tables. Ask whoever keeps the server."),
    ("connection", "broke off the connection. Look whether it was written, then try again."),
)


def sentence(error: BaseException | None, place: str, server: bool) -> str:
    """What went wrong with the tickets at `place` (a file, or a server's address)."""
    told = str(error).lower()
    for sign, reason in _POSTGRES if server else _SQLITE:
        if sign in told:
            unsure = "broke off" in reason
            return f"{place} {reason}" + ("" if unsure else " Nothing was changed.")
    first = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
    return f"{place} refused: {first}. Nothing was changed."
