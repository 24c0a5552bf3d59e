"""faultfinder: what to check next on a portable computer that runs but shows nothing.

The stable surface: a model (`load_model`, `from_pgmpy`), a `Case` of it, and `consult(case)`,
which answers with a `Consultation`; and the errors they raise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from faultfinder.errors import (
    FaultfinderError,
    ImpossibleEvidence,
    MisuseError,
    ModelFileError,
    TargetTooLarge,
)

if TYPE_CHECKING:
    from faultfinder.consultation.case import Case
    from faultfinder.consultation.consult import Consultation, consult
    from faultfinder.decide.belief import Tried
    from faultfinder.decide.naming import Naming
    from faultfinder.decide.shop import Shop
    from faultfinder.inference.compiled import CompiledModel
    from faultfinder.inference.loading import load_model
    from faultfinder.interchange.pgmpy_bridge import from_pgmpy

_HOMES = {
    "load_model": "faultfinder.inference.loading",
    "from_pgmpy": "faultfinder.interchange.pgmpy_bridge",
    "Case": "faultfinder.consultation.case",
    "consult": "faultfinder.consultation.consult",
    "Consultation": "faultfinder.consultation.consult",
    "Tried": "faultfinder.decide.belief",
    "Naming": "faultfinder.decide.naming",
    "Shop": "faultfinder.decide.shop",
    "CompiledModel": "faultfinder.inference.compiled",
}


def __getattr__(name: str) -> Any:
    # Looked up on first use: a command pays only for what it needs.
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'faultfinder' has no attribute {name!r}")


__all__ = [
    "Case",
    "CompiledModel",
    "Consultation",
    "FaultfinderError",
    "ImpossibleEvidence",
    "MisuseError",
    "ModelFileError",
    "Naming",
    "Shop",
    "TargetTooLarge",
    "Tried",
    "consult",
    "from_pgmpy",
    "load_model",
]
