"""What entries of a model were called before."""

from __future__ import annotations

from collections.abc import Mapping

from faultfinder.model.parts import FaultModel, Variable


class Was:
    """The earlier names in a model."""

    def __init__(self, model: FaultModel) -> None:
        self._model = model

    def names(self, variable: str) -> tuple[str, ...]:
        """What a variable was called before."""
        return ()

    def chances(self, variable: Variable, told: Mapping[str, float]) -> tuple[float, ...] | None:
        """Probabilities by state, as they were called, in the order of the variable's states;
        None when they are not of these states."""
        if set(told) != set(variable.states):
            return None
        return tuple(told[state] for state in variable.states)
