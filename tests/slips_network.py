"""Slips in how the small model says its distributions, and what must be told."""

from __future__ import annotations

from tests.slips import Slip

PROB = "It must be a number from 0 to 1."
CONNECTOR_LINK = "connector: {half: flickers}"
PICTURE = "any_of: [corroded, {connector: [off]}]"
TEST = "test: {of: connector, shows: [half, off], sensitivity: 0.9, specificity: 0.97}"
LAST_ROW = "      - otherwise: {on: 0.97, flickers: 0.02, off: 0.01}\n"

DISTRIBUTIONS = [
    Slip(
        "a misspelt parent",
        "- when: {light: dark}",
        "- when: {ligth: dark}",
        'Finding backlight names "ligth", which is no variable.',
        "Did you mean light?",
    ),
    Slip(
        "a misspelt state of a parent",
        "- when: {light: dark}",
        "- when: {light: drak}",
        'Finding backlight names the state light = "drak", which does not exist.',
        "Did you mean dark?",
    ),
    Slip(
        "a combination without a row",
        LAST_ROW,
        "",
        "Finding backlight has no row for light = steady, picture = whole (and 1 more).",
        "Add a row, or end with otherwise: ...",
        at="  backlight:\n    title",
    ),
    Slip(
        "a row that can never match",
        "light: flickers, picture: [whole, gone]",
        "light: dark, picture: gone",
        "This row of backlight never counts: the rows above it take every case.",
        "Move it up, or leave it out.",
    ),
    Slip(
        "a row after otherwise",
        LAST_ROW,
        LAST_ROW + "      - {when: {light: steady}, gives: {off: 0.5}}\n",
        "This row of backlight never counts: the rows above it take every case.",
        "Move it up, or leave it out.",
        at="      - {when: {light: steady}",
    ),
    Slip(
        "a result that never occurs",
        "{when: {picture: gone}, then: none}",
        "{when: {picture: gone}, then: faint}",
        "The result none of image is never used: its chance is zero in every case.",
        "Give it a chance somewhere, or leave it out.",
        at="states: [clear, faint, none]",
    ),
    Slip(
        "a rule that leads nowhere",
        "then: faint",
        "then: fant",
        'Finding image names its own state "fant", which does not exist.',
        "Did you mean faint?",
    ),
    Slip(
        "when and otherwise in one row",
        "then: faint",
        "otherwise: faint",
        "Row 2 of the rule of image has when and otherwise.",
        "Either when with then, or otherwise alone.",
    ),
    Slip(
        "a row without a condition",
        "{otherwise: clear}",
        "{then: clear}",
        "Row 3 of the rule of image has no when.",
        "Say when it holds, or write otherwise: ...",
    ),
    Slip(
        "a noisy-OR without a leak",
        "      leak: 0.002\n",
        "",
        "noisy_or of corroded has no leak.",
        "Give the chance without any of the links: leak: 0.002.",
        at="    noisy_or:",
    ),
    Slip(
        "a noisy-OR for three states",
        "    noisy_max:",
        "    noisy_or:",
        "Cause connector has 3 states, and noisy_or is for two.",
        "Use noisy_max instead.",
    ),
    Slip(
        "an influence of the normal state",
        "liquid: {yes: 0.3}",
        "liquid: {no: 0.3}",
        "Cause corroded gives liquid = no an influence, but that is its normal state.",
        "Only the other states have one; what happens without any is the leak.",
    ),
    Slip(
        "a bare link from a parent of three states",
        "liquid: {yes: 0.3}",
        "connector: 0.3",
        'The link of corroded from connector is "0.3", but connector has 3 states.',
        "Name the states: {state: 0.1}.",
    ),
    Slip(
        "a worst-of that leads nowhere",
        CONNECTOR_LINK,
        "connector: {half: flicker}",
        'Condition light names its own state "flicker", which does not exist.',
        "Did you mean flickers?",
    ),
    Slip(
        "a worst-of without states",
        CONNECTOR_LINK,
        "connector: half",
        'worst_of of light, connector is "half".',
        "It must say what each state of it brings: {its state: own state}.",
    ),
    Slip(
        "an any-of that counts the normal state",
        PICTURE,
        "any_of: [corroded, {connector: [seated]}]",
        "Condition picture gives connector = seated an influence, but that is its normal state.",
        "Only the other states have one; what happens without any is the leak.",
    ),
    Slip(
        "an any-of that lists a parent twice",
        PICTURE,
        "any_of: [corroded, corroded, {connector: [off]}]",
        "Condition picture lists corroded twice.",
        "Once is enough.",
    ),
    Slip(
        "a sensitivity in percent",
        TEST,
        TEST.replace("0.9,", "90,"),
        "sensitivity of test of connector_seen is 90.",
        PROB,
    ),
    Slip(
        "a test without its specificity",
        TEST,
        TEST.replace(", specificity: 0.97", ""),
        "test of connector_seen has no specificity.",
        "Give it as a number from 0 to 1: specificity: 0.9.",
    ),
    Slip(
        "a test that shows every state",
        TEST,
        TEST.replace("[half, off]", "[seated, half, off]"),
        "Finding connector_seen shows every state of connector.",
        "Leave out those in which the test should be in its first state.",
    ),
    Slip(
        "a test that never shows anything",
        TEST,
        TEST.replace("0.9, specificity: 0.97", "0, specificity: 1"),
        "The result loose of connector_seen is never used: its chance is zero in every case.",
        "Give it a chance somewhere, or leave it out.",
        at="states: [seated, loose]",
    ),
    Slip(
        "a history that depends on something",
        "chance: {yes: 0.05}",
        "test: {of: knock, sensitivity: 0.9, specificity: 0.9}",
        "History liquid depends on knock, which is a history.",
        "A history depends on nothing.",
    ),
    Slip(
        "a cause that depends on a finding",
        "liquid: {yes: 0.3}",
        "supply_volts: {low: 0.3}",
        "Cause corroded depends on supply_volts, which is a finding.",
        "A cause may depend on histories and causes only.",
    ),
    Slip(
        "a condition that depends on a finding",
        CONNECTOR_LINK,
        "connector_seen: {loose: flickers}",
        "Condition light depends on connector_seen, which is a finding.",
        "A condition may depend on histories and causes and conditions only.",
    ),
    Slip(
        "a complaint that depends on a history",
        "any_of: [light, picture]",
        "any_of: [light, picture, knock]",
        "The complaint depends on knock, which is a history.",
        "A complaint may depend on causes and conditions only.",
    ),
    Slip(
        "a cause that cannot bring the complaint about",
        "any_of: [light, picture]",
        "any_of: [light]",
        "The cause corroded can never bring the complaint no_picture about.",
        "Add it to any_of of the complaint, or to a condition that is there.",
        at="  corroded:\n    title",
    ),
]
