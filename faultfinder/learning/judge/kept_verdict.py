"""The verdict of a replay, kept beside the proposal that it judged."""

from __future__ import annotations

import json
from pathlib import Path

from faultfinder.files import write_text

NAME = "judged.json"


def keep_verdict(folder: Path, digest: str, word: str) -> None:
    """Keep the verdict on the proposal with this digest, instead of an earlier one."""
    write_text(folder / NAME, json.dumps({"digest": digest, "verdict": word}), replace=True)


def kept_verdict(folder: Path, digest: str) -> str | None:
    """The verdict on the proposal with this digest; None where that was not judged."""
    try:
        told = json.loads((folder / NAME).read_text(encoding="utf-8"))
        return str(told["verdict"]) if told["digest"] == digest else None
    except (OSError, ValueError, KeyError, TypeError):
        return None
