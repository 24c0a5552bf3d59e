"""Slips of the pen in the small model, and what the reader must say to each: the heads."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Slip:
    """`old` becomes `new`; that is told on the line of `at` (`new` when empty)."""

    says: str
    old: str
    new: str
    found: str
    right: str
    at: str = ""


FORMS = "chance, table, rule, noisy_or, noisy_max, worst_of, any_of, test"
DEAD = "chance: {dead: 0.02}"
PROB = "It must be a number from 0 to 1."
BENCH = 'basis: {guess: "bench experience", worth: 40}'

HEAD = [
    Slip(
        "a schema version that is not read",
        "faultfinder_model: 1",
        "faultfinder_model: 2",
        'faultfinder_model is "2".',
        "This program reads version 1: write faultfinder_model: 1.",
    ),
    Slip(
        "a schema version left out",
        "faultfinder_model: 1\n",
        "",
        "The model file has no faultfinder_model.",
        "This program reads version 1: write faultfinder_model: 1.",
        at="name: small",
    ),
    Slip(
        "a name other than the file's",
        "name: small\n",
        "name: other\n",
        'The model is called "other", and its file small.yaml.',
        "Both must be the same: write name: small, or rename the file.",
    ),
    Slip(
        "a name with capitals and spaces",
        "  measure_supply:\n",
        "  Measure supply:\n",
        'A check is called "Measure supply".',
        "A name holds small letters, digits and underscores, and begins with a letter, "
        "such as measure_supply.",
    ),
    Slip(
        "a misspelt section",
        "checks:\n",
        "cheks:\n",
        '"cheks" is not a key of the model file.',
        "Did you mean checks?",
    ),
    Slip(
        "a misspelt key",
        "    title: Backlight strip dead",
        "    titel: Backlight strip dead",
        '"titel" is not a key of cause strip.',
        "Did you mean title?",
    ),
    Slip(
        "a key that is like no other",
        "  title: No picture\n",
        "  title: No picture\n  xyz: 1\n",
        '"xyz" is not a key of the complaint.',
        "Known here: name, title, any_of, note, retest.",
        at="  xyz: 1",
    ),
    Slip(
        "a start that is no stage",
        "start: closed",
        "start: closd",
        'start names the stage "closd", which is not there.',
        "Did you mean closed?",
    ),
    Slip(
        "a key given twice",
        "about: Invented for the tests.",
        "title: Another",
        'The key "title" stands here for the second time (first on line 3).',
        "Keep one of the two.",
    ),
    Slip(
        "a key without a value",
        "about: Invented for the tests.",
        "about:",
        "about of the model file is empty.",
        "Give it a value, or leave the key out.",
    ),
    Slip(
        "a list as a key",
        "about: Invented for the tests.",
        "? [a]\n: b",
        "A key must be a single word, and this one is a list or a set of keys.",
        "Write word: value.",
    ),
    Slip(
        "a tag",
        "about: Invented",
        "about: !!python/name:os.system Invented",
        'The tag "!!python/name:os.system" has no meaning in a model file.',
        "Leave it out.",
    ),
    Slip(
        "a character for the terminal",
        "about: Invented for the tests.",
        'about: "\\e[31mred"',
        "about of the model file holds the character U+001B, which cannot be printed.",
        "Take it out.",
    ),
]

VARIABLES = [
    Slip(
        "a single state",
        "states: [alive, dead]",
        "states: [alive]",
        'Cause strip has the single state "alive".',
        "It needs at least two, the normal one first.",
    ),
    Slip(
        "a state listed twice",
        "states: [alive, dead]",
        "states: [alive, dead, dead]",
        'states of cause strip lists "dead" twice.',
        "Once is enough.",
    ),
    Slip(
        "a state's name with a space",
        "states: [alive, dead]",
        "states: [alive, Quite Dead]",
        'A state of cause strip is called "Quite Dead".',
        "A name holds small letters, digits, underscores and hyphens, and begins with a letter, "
        "such as quite_dead.",
    ),
    Slip(
        "no states",
        "    states: [alive, dead]\n",
        "",
        "Cause strip has no states.",
        "Give its states, the normal one first: states: [no, yes].",
        at="  strip:",
    ),
    Slip(
        "two variables of one name",
        "  liquid:\n",
        "  connector_seen:\n",
        'The name "connector_seen" is taken: a history has it (line 21).',
        "Give one of the two another name.",
        at="  connector_seen:\n    title",
    ),
    Slip(
        "a history without a question",
        "    ask: Was anything spilt on it?\n",
        "",
        "History liquid has no ask.",
        "Give the question to the customer, such as ask: Was it dropped?",
        at="  liquid:",
    ),
    Slip(
        "a finding asked at the counter without a question",
        "    ask: Can an image be made out?\n",
        "",
        "Finding image is asked at the counter, but has no ask.",
        "Give the question, such as ask: Is the panel lit from behind?",
        at="  image:",
    ),
    Slip(
        "one word for two results",
        "words: {off: [black, dead]}",
        "words: {off: [black], flickers: [Black]}",
        'Finding backlight: the word "Black" for flickers is also a word for off.',
        "One word can stand for one state only.",
    ),
    Slip(
        "a word that is another result's name",
        "words: {off: [black, dead]}",
        "words: {off: [On]}",
        'Finding backlight: the word "On" for off is also the name of the state on.',
        "One word can stand for one state only.",
    ),
    Slip(
        "words for a result that is not there",
        "words: {off: [black, dead]}",
        "words: {of: [black]}",
        'words of finding backlight names the state "of", which is not there.',
        "Did you mean off?",
    ),
    Slip(
        "a basis of two kinds",
        BENCH,
        "basis: {guess: a, count: b}",
        'The basis of history knock gives "guess" and "count".',
        "Give exactly one of guess, count or source, with a text.",
    ),
    Slip(
        "a basis worth nothing",
        BENCH,
        "basis: {guess: a, worth: 0}",
        "worth of the basis of history knock is 0.",
        "It must be a number above 0.",
    ),
    Slip(
        "cuts that fall",
        "cuts: [1.0, 15.0]",
        "cuts: [15.0, 1.0]",
        "The cuts of finding supply_volts go from 15 to 1.",
        "They must rise.",
    ),
    Slip(
        "too few cuts",
        "cuts: [1.0, 15.0]",
        "cuts: [1.0]",
        "Finding supply_volts has 3 states and 1 cut.",
        "Between 3 states there are 2 cuts.",
    ),
    Slip(
        "cuts without a unit",
        "    unit: V\n",
        "",
        "Finding supply_volts has no unit.",
        "Give the unit of its cuts, such as unit: V.",
        at="  supply_volts:",
    ),
    Slip(
        "a reading that leaves a state out",
        "reads: [none, low, normal]",
        "reads: [none, low]",
        'reads of finding supply_volts leaves out "normal".',
        "List all its states, in rising order of the reading.",
    ),
    Slip(
        "a cut that is no number",
        "cuts: [1.0, 15.0]",
        "cuts: [1.0, .inf]",
        'A cut of finding supply_volts is ".inf".',
        "It must be a number.",
    ),
]

CHANCES = [
    Slip("above one", DEAD, "chance: {dead: 1.2}", "The chance of strip: dead is 1.2.", PROB),
    Slip("below zero", DEAD, "chance: {dead: -0.1}", "The chance of strip: dead is -0.1.", PROB),
    Slip("NaN", DEAD, "chance: {dead: .nan}", 'The chance of strip: dead is ".nan".', PROB),
    Slip(
        "infinite",
        DEAD,
        "chance: {dead: 1e999}",
        'The chance of strip: dead is "1e999", beyond any number.',
        PROB,
    ),
    Slip(
        "in percent",
        DEAD,
        "chance: {dead: 2%}",
        'The chance of strip: dead is "2%".',
        "It must be a number from 0 to 1: write 0.02.",
    ),
    Slip(
        "with a decimal comma",
        DEAD,
        'chance: {dead: "0,02"}',
        'The chance of strip: dead is "0,02".',
        "It must be a number from 0 to 1: write 0.02, with a point.",
    ),
    Slip("a word", DEAD, "chance: {dead: rare}", 'The chance of strip: dead is "rare".', PROB),
    Slip("a list", DEAD, "chance: {dead: [0.1]}", "The chance of strip: dead is a list.", PROB),
    Slip("missing", DEAD, "chance: {dead: }", "The chance of strip: dead is nothing.", PROB),
    Slip(
        "for a state that is not there",
        DEAD,
        "chance: {ded: 0.02}",
        'Cause strip names its own state "ded", which does not exist.',
        "Did you mean dead?",
    ),
    Slip(
        "a bare number",
        DEAD,
        "chance: 0.02",
        'The chance of strip is "0.02".',
        "It must name states with their probabilities, such as {dead: 0.1}.",
    ),
    Slip(
        "more than one without the normal state",
        "{flickers: 0.9, off: 0.05}",
        "{flickers: 0.9, off: 0.3}",
        'Row 2 of the table of backlight: the chances of "flickers" and "off" add up to 1.20.',
        'They must leave room for "on": at most 1.',
    ),
    Slip(
        "not one with the normal state",
        "{on: 0.02, off: 0.98}",
        "{on: 0.02, off: 0.9}",
        'Row 1 of the table of backlight: the chances of "on" and "off" add up to 0.92.',
        'With "on" among them they must add up to 1; leave "on" out, and it takes the rest.',
    ),
    Slip(
        "not given at all",
        f"    {DEAD}\n",
        "",
        "Cause strip says nothing about its probabilities.",
        f"Give exactly one of {FORMS}.",
        at="  strip:",
    ),
    Slip(
        "given in two ways",
        DEAD,
        f"{DEAD}\n    rule: [{{otherwise: dead}}]",
        'Cause strip says its probabilities twice: "chance" and "rule".',
        f"Give exactly one of {FORMS}.",
        at="    rule: [",
    ),
]
