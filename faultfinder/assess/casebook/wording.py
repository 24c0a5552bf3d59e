"""From the words of a casebook to the findings, causes and repairs of a model, and back."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property

from faultfinder.assess.casebook.books import FamilyWords, Mapped, Vocabulary
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.answers import state_of_reading
from faultfinder.model.parts import Kind, Variable

TOLD = (Kind.FINDING, Kind.HISTORY)


@dataclass(frozen=True, eq=False)
class Wording:
    """What the words of a vocabulary stand for in one model.

    A word stands for what has its name, unless the mapping says otherwise.
    """

    compiled: CompiledModel
    vocabulary: Vocabulary
    mapped: Mapped

    @cached_property
    def words(self) -> FamilyWords:
        """Where the model's names differ from the vocabulary."""
        return self.mapped.family(self.compiled.model.name)

    def finding(self, fact: str) -> Variable | None:
        """The finding or history that a fact stands for; None when the model cannot say it."""
        words = self.words
        if fact in words.cannot_say:
            return None
        name = words.facts[fact][0] if fact in words.facts else fact
        variable = self.compiled.model.by_name.get(name)
        return variable if variable is not None and variable.kind in TOLD else None

    def result(self, fact: str, values: tuple[str, ...]) -> tuple[str, str] | None:
        """(finding, result) of a fact: the first of its values that can be said; else None."""
        variable = self.finding(fact)
        if variable is None:
            return None
        words = self.words
        renamed = words.facts[fact][1] if fact in words.facts else {}
        for value in values:
            if f"{fact}={value}" in words.cannot_say:
                continue
            state = renamed.get(value, value)
            if state in variable.states:
                return variable.name, state
            number = _number(value)
            if variable.reading is not None and number is not None:
                return variable.name, state_of_reading(variable, number)
        return None

    def results(self, told: Mapping[str, tuple[str, ...]]) -> tuple[dict[str, str], list[str]]:
        """(finding -> result, facts that cannot be said) of all that was told."""
        findings: dict[str, str] = {}
        unsaid = []
        for fact, values in told.items():
            said = self.result(fact, values)
            if said is None:
                unsaid.append(fact)
            else:
                findings[said[0]] = said[1]
        return findings, unsaid

    @cached_property
    def causes(self) -> Mapping[str, Mapping[str, tuple[str, ...]]]:
        """at_fault word -> cause -> its states; words that the model cannot say are left out."""
        words = self.words
        model = self.compiled.model
        found: dict[str, dict[str, tuple[str, ...]]] = {}
        for word in self.vocabulary.at_fault:
            if word in words.cannot_say:
                continue
            held: dict[str, tuple[str, ...]] = {}
            for cause, states in words.at_fault.get(word, {word: ()}).items():
                variable = model.by_name.get(cause)
                if variable is None or variable.kind is not Kind.CAUSE:
                    continue
                faulty = model.faulty_states(cause)
                kept = tuple(s for s in faulty if not states or s in states)
                if kept:
                    held[cause] = kept
            if held:
                found[word] = held
        return found

    @cached_property
    def facts_of_finding(self) -> Mapping[str, tuple[str, ...]]:
        """Finding -> the fact words that stand for it."""
        found: dict[str, tuple[str, ...]] = {}
        for fact in self.vocabulary.facts:
            variable = self.finding(fact)
            if variable is not None:
                found[variable.name] = (*found.get(variable.name, ()), fact)
        return found

    def facts_of_check(self, check: str, known: Collection[str] = ()) -> tuple[str, ...]:
        """The fact words that a check brings, those of findings already known left out."""
        observed = self.compiled.model.checks_by_name[check].observes
        facts = self.facts_of_finding
        return tuple(f for name in observed if name not in known for f in facts.get(name, ()))

    @cached_property
    def action_of_repair(self) -> Mapping[str, str]:
        """Repair -> the action word that stands for it."""
        repairs = self.compiled.model.repairs_by_name
        return {
            repair: word
            for word in self.vocabulary.actions
            for repair in self.words.actions.get(word, (word,))
            if repair in repairs
        }


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
