"""The keys of model files: the readers take them from here, `model keys` prints them.

A new key is a line here and the line of a reader that asks for it. Keys that are names (of
variables, states, stages) are the file's own and stand in no list.
"""

from __future__ import annotations


class Keys(dict[str, str]):
    """The keys of one kind of entry, each with its meaning; `of` says whose they are."""

    def __init__(self, of: str, keys: dict[str, str]) -> None:
        super().__init__(keys)
        self.of = of


BASIS_KEY = {"basis": "where the figure comes from (see below)"}

FORMER = {
    "was": "what it was called before: [old], or several that were merged",
    "share": "of two entries that were one: which share of its tickets counts here",
}

ROOT = Keys(
    "a model file",
    {
        "faultfinder_model": "version of the form: 1",
        "name": "the file's name without .yaml",
        "title": "the machine family, in words",
        "about": "what the model covers, for its reader",
        "include": "part files to take in, by paths from this file's folder",
        "word_lists": "lists of spoken words: name: [words]",
        "start": "the stage a machine arrives in",
        "complaint": "what all cases have in common (see below); may be left out without repairs",
        "histories": "what the customer is asked, and is not changed by a repair",
        "causes": "what can be faulty",
        "conditions": "what follows from causes and is not seen itself",
        "findings": "what can be seen or measured",
        "figures": "tables of findings and conditions by the cause that speaks (see below)",
        "silence": "what it says that a striking thing was not mentioned (see below)",
        "unlisted": "the share of machines with none of these causes (see below)",
        "stages": "how far the machine is taken apart",
        "moves": "ways between stages, a list",
        "checks": "how findings are observed",
        "needs": "what checks can need of machine or shop (see below)",
        "kits": "what is set up once for several checks (see below)",
        "stops": "results that end the diagnosis for safety, a list",
        "precautions": "what results call for before all else, a list",
        "suggestions": "what results point to together, or likely causes (see below)",
        "phrases": "how suggestions say results, so that what is known is not said (see below)",
        "worth": "what a machine is worth by its age in years: {1: 900, 5: 300}",
        "declined_above": "the share of its worth above which owners usually decline: 0.45",
        "prices": "what its part prices are, said beside them: a guess of 2025",
        "proofs": "tests that prove a repair",
        "repairs": "what mends causes",
    },
)

PART_FILE = Keys(
    "a part file, with any of the sections of a model file",
    {"faultfinder_parts": "version of the form: 1", "about": ROOT["about"],
     "include": ROOT["include"]},
)  # fmt: skip

EXTENDS = Keys(
    "an entry that takes the place of an included one",
    {"extends": "yes: what it leaves out stays as included"},
)

COMPLAINT = Keys(
    "the complaint",
    {
        "name": "its name as a variable",
        "title": "in words",
        "any_of": "the conditions or causes that make the customer complain",
        "note": "for the reader",
        "retest": "the powered look after a repair (see below)",
    },
)

RETEST = Keys(
    "the retest",
    {"minutes": "it takes", "missed": "probability that a fault still there goes unnoticed"},
)

DISTRIBUTION = Keys(
    "a variable's probabilities, exactly one of",
    {
        "chance": "its base rate: {yes: 0.25}; the first state takes the rest",
        "table": "rows, the first match counts: - {when: {parent: [states]}, gives: {yes: 0.3}}",
        "rule": "the same with then: state, which is certain",
        "noisy_or": "causes that each bring it about by themselves, of two states",
        "noisy_max": "the same for more states, the worst counts",
        "worst_of": "what each state of each parent brings for certain; the worst counts",
        "any_of": "names, or {name: [states]}: certain when any is not normal",
        "test": "of one variable, by sensitivity and specificity",
        "first_of": "of a condition: causes in the order of hiding; its states are none and "
        "cause.state, and the first cause present counts",
    },
)

VARIABLE = Keys(
    "a history, cause, condition or finding, by its name",
    {
        "title": "in words",
        "note": "for the reader",
        "states": "the normal one first",
        **FORMER,
        "states_were": "what states were called before: {new: [old]}",
        **BASIS_KEY,
    },
)

OBSERVED = Keys(
    "a history or finding, besides",
    {
        "ask": "the question that is asked for it",
        "words": "what people say for a state: {state: [words], or {list: word list}}",
        "unit": "of a meter reading",
        "cuts": "where its states part, rising",
        "reads": "its states in rising order of the reading, where `states` is in another",
    },
)

FINDING = Keys("a finding, besides", {"striking": "what people mention unasked (see below)"})

STRIKING = Keys(
    "what is striking in a finding",
    {
        "values": "states that people mention",
        "mentioned": "how often they do, as a probability",
        "unless_told": "findings that say it in other words: with one of them, nobody was silent",
    },
)

FIGURES = Keys(
    "the figures of a finding or condition, by its name",
    {
        "of": "causes whose first one present it hangs on; or a condition that has figures",
        "on": "a condition it hangs on, where several are the first of their causes",
        "default": "{state: probability} for every cause not named below",
        "given": "{cause, cause.state, or several with commas: {state: probability}}",
        "none": "the same with no fault present",
        **BASIS_KEY,
    },
)

SILENCE = Keys(
    "silence",
    {"finding": "the question whether there is anything else", "result": "that there is not"},
)

UNLISTED = Keys(
    "unlisted",
    {
        "prior": "the share of machines with none of the causes",
        "flatness": "how much of every finding is drawn evenly there",
        **BASIS_KEY,
    },
)

ROW = Keys("a row of a table", {"when": "{parent: state or [states]}", "gives": "{state: number}",
           "otherwise": "instead of both, in the last row", **BASIS_KEY})  # fmt: skip
RULE_ROW = Keys("a row of a rule", {"when": ROW["when"], "then": "the state that follows",
                "otherwise": ROW["otherwise"], **BASIS_KEY})  # fmt: skip

NOISY = Keys(
    "noisy_or and noisy_max",
    {
        "leak": "probability with none of the links at work",
        "links": "{parent: {state: probability or {own state: probability}}}",
    },
)

TEST = Keys(
    "a test",
    {
        "of": "the variable it tests",
        "shows": "the states of it that it shows; without it, all that are not normal",
        "sensitivity": "probability of the second state when it is there",
        "specificity": "probability of the first state when it is not",
        **BASIS_KEY,
    },
)

AMONG = Keys("probabilities, leaks and links, beside the states", BASIS_KEY)

BASIS = Keys(
    "a basis, exactly one of the first three",
    {
        "guess": "whose, in words",
        "count": "what was counted, in words",
        "source": "what was read, in words",
        "worth": "tickets it counts as when the figure is tuned",
    },
)

SHORT = "in a few words, where several are named; without it, the title"

STAGE = Keys(
    "a stage, by its name",
    {
        "title": "in words",
        "short": SHORT,
        "powered": "yes or no: whether the machine is powered in it",
        "live": "yes: powered for measuring only, no look after a repair",
        "caution": "what to take care of in it",
    },
)

MOVE = Keys(
    "a move",
    {
        "from": "stage",
        "to": "stage",
        "minutes": "it takes",
        "how": "what to do, a text or list",
        "caution": "what to take care of on the way",
    },
)

CHECK = Keys(
    "a check, by its name",
    {
        "title": "in words",
        "short": SHORT,
        "observes": "the findings or histories it tells",
        "minutes": "of the check itself, without the way to its stage",
        "consumables": "money used up by it",
        "stage": "the stage it needs",
        "intake": "yes: it is asked at the counter",
        "tools": "a list",
        "how": "what to do, a list",
        "suggests": "{finding: {result: what it suggests}}; {off} in it is the short name of the "
        "first stage without power that has one, or power off",
        "briefly": "{finding: {result: how it is said in a few words}}",
        "said_first": "yes: what it suggests comes before what other checks suggest",
        "caution": "what to take care of",
        "needs": "what must be there for it, a list",
        "kits": "what must be set up for it, a list",
        "risk": "what can go wrong (see below)",
        "hands": "trained: not for everybody",
        "off": "yes: asked, or looked at with the machine switched off",
        "asked": "yes: somebody is asked, in whatever stage the machine stands",
        "behind": "checks that come before it, as far as they can be made",
        **FORMER,
    },
)

NEED = Keys(
    "a need, by its name",
    {
        "title": "in words",
        "met": "{finding: [results]}, any of which shows that it is there",
        "lost": "the same for that it is not there",
        "assumed": "no: it counts as missing while neither is known",
    },
)

KIT = Keys(
    "a kit, by its name",
    {
        "title": "in words",
        "minutes": "to set it up, once for all checks that need it",
        "consumables": CHECK["consumables"],
    },
)

PRECAUTION = Keys(
    "a precaution",
    {
        "when": "{finding: [results]}, any of which calls for it",
        "look": "the check to make before all else",
        "say": "what to do and what to leave",
        "unless": "needs, a list: with one of them there, it is not called for",
        "unpowered": "yes: nothing with power on until it was made",
    },
)

SUGGESTION = Keys(
    "a suggestion, by its name",
    {
        "when": "{finding: [results]}: each finding was told with one of its results",
        "likely": "causes, a list: one of them is more likely than not",
        "say": "what they point to, as `suggests` of a check has it",
        "briefly": "with likely: the same in at most 14 words, for where a round leads",
    },
)

PHRASE = Keys(
    "a phrase, by its name",
    {
        "said": "how it is said in suggestions, a list: [good outside, clean outside]",
        "means": "{finding: [results]}, any of which it stands for",
    },
)

STOP = Keys(
    "a stop rule",
    {
        "finding": "what it looks at",
        "results": "those that end the diagnosis",
        "say": "what to do",
        "lifted_by": "repairs after which it stops no more",
    },
)

PROOF = Keys(
    "a proof, by its name",
    {
        "title": "in words",
        "how": "what to do, a list",
        "passes": "what is seen when it passes",
        "minutes": "it takes",
        "before_cover": "yes: made before the cover goes back on",
        "shares": "causes that share cable or plug with what is tested",
    },
)

REPAIR = Keys(
    "a repair, by its name",
    {
        "title": "in words",
        "short": SHORT,
        "mends": "{cause: probability, or {state: probability}}",
        "stage": "the stage it needs",
        "minutes": "of the work itself",
        "part": "what the part costs (see below)",
        "lead_days": "days until the part comes",
        "risk": "what can go wrong (see below)",
        "hand_over": "yes: a specialist does it",
        "hands": CHECK["hands"],
        "tools": "a list",
        "how": "what to do, a list",
        "caution": "what to take care of",
        "proof": "the proofs it needs",
        "behind": CHECK["behind"],
        "made_by": "checks in which it is made and looked at, a list",
        **FORMER,
        **BASIS_KEY,
    },
)

PRICE = Keys(
    "a part's price, rising",
    {"low": "the least", "likely": "the likeliest", "high": "the most"},
)

SHOP_PRICE = Keys(
    "what a shop pays for a part",
    {
        "price": "the one price, or",
        **PRICE,
        "on": "when it was asked: 2026-10-14, 2026-10 or 2026",
        "kind": "new or used",
    },
)

RISK = Keys(
    "a risk",
    {"chance": "probability of harm", "cost": "money it would cost", "says": "what can happen"},
)

ALL = (
    ROOT, PART_FILE, EXTENDS, COMPLAINT, RETEST, VARIABLE, OBSERVED, FINDING, STRIKING,
    DISTRIBUTION, FIGURES, SILENCE, UNLISTED, ROW, RULE_ROW, NOISY, TEST, AMONG, BASIS, STAGE,
    MOVE, CHECK, NEED, KIT, STOP, PRECAUTION, SUGGESTION, PHRASE, PROOF, REPAIR, PRICE, RISK,
)  # fmt: skip
"""In the order in which they are printed."""
