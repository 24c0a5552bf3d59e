"""A small invented model in which one condition says which of the causes speaks.

Small enough for the oracle that lists every joint state. All figures are made up.
"""

from __future__ import annotations

from faultfinder.model.parts import FaultModel
from faultfinder.model.reading.reader import parse_model

TEXT = """\
faultfinder_model: 1
name: leading
title: Invented model with an order of hiding
start: closed

complaint:
  name: dark_screen
  title: Dark screen
  any_of: [leading]
  retest: {minutes: 3, missed: 0.03}

histories:
  liquid: {title: Liquid, ask: "Was it wet?", states: [no, yes], chance: {yes: 0.1}}

causes:
  board:
    title: Board
    states: [fine, dead, hung]
    noisy_max: {leak: {dead: 0.03, hung: 0.02}, links: {liquid: {yes: {dead: 0.2, hung: 0.05}}}}
  hinge:
    title: Hinge
    states: [firm, torn]
    chance: {torn: 0.05}
  cable:
    title: Cable
    states: [whole, worn, cut]
    noisy_max:
      leak: {worn: 0.03, cut: 0.01}
      links: {hinge: {torn: {worn: 0.3, cut: 0.1}}}
  lamp:
    title: Lamp
    states: [fine, dead]
    chance: {dead: 0.1}

conditions:
  leading: {title: What speaks, first_of: [board, cable, lamp, hinge]}

findings:
  light:
    title: Light
    ask: "Is it lit?"
    states: [lit, dim, dark]
  lines:
    title: Lines
    ask: "Are there lines?"
    states: [no, yes]
    striking: {values: [yes], mentioned: 0.6}
  crack:
    title: Crack
    ask: "Is it cracked?"
    states: [no, yes]
    striking: {values: [yes], mentioned: 0.5}
  cable_seen: {title: The cable looked at, states: [sound, torn]}
  wet_trace: {title: Trace of liquid, states: [no, yes]}
  anything_else: {title: Anything else, ask: "Anything else?", states: [nothing, more]}

silence: {finding: anything_else, result: nothing}
unlisted: {prior: 0.14, basis: {guess: "made up"}}

figures:
  light:
    basis: {guess: "made up", worth: 4}
    default: {lit: 0.5, dim: 0.2, dark: 0.3}
    given:
      board: {lit: 0.05, dim: 0.05, dark: 0.9}
      board.hung: {lit: 0.3, dim: 0.1, dark: 0.6}
      "hinge, cable.cut": {lit: 0.02, dim: 0.08, dark: 0.9}
      lamp: {lit: 0.1, dim: 0.8, dark: 0.1}
    none: {lit: 0.98, dim: 0.01, dark: 0.01}
  lines:
    default: {yes: 0.02}
    given: {cable: {yes: 0.5}}
  crack:
    default: {yes: 0.03}
    given: {hinge: {yes: 0.4}}
  cable_seen:
    of: [cable]
    default: {torn: 0.02}
    given:
      cable.worn: {torn: 0.7}
      cable.cut: {torn: 0.95}
  wet_trace:
    of: [liquid, board]
    default: {yes: 0.02}
    given: {liquid: {yes: 0.7}, board.dead: {yes: 0.1}}

stages:
  closed: {title: Closed, powered: yes}
  open: {title: Open, powered: no}
moves:
  - {from: closed, to: open, minutes: 5}
  - {from: open, to: closed, minutes: 4}
checks:
  look_light: {title: Look, observes: [light], minutes: 1, stage: closed, intake: yes}
  look_lines: {title: Lines, observes: [lines], minutes: 1, stage: closed, intake: yes}
  look_crack: {title: Crack, observes: [crack], minutes: 1, stage: closed, intake: yes}
  look_cable: {title: Cable, observes: [cable_seen], minutes: 2, stage: open}
  look_both: {title: Both, observes: [light, lines], minutes: 2, stage: closed}
  look_wet: {title: Wet, observes: [wet_trace], minutes: 2, stage: open}
  ask_else: {title: Else, observes: [anything_else], minutes: 1, stage: closed, intake: yes}
  ask_liquid: {title: Liquid, observes: [liquid], minutes: 1, stage: closed, intake: yes}
proofs:
  looks: {title: It looks right, how: [look], passes: lit, minutes: 2}
repairs:
  new_board:
    title: New board
    mends: {board: {dead: 0.95, hung: 0.95}}
    stage: open
    minutes: 30
    part: {low: 80, likely: 120, high: 200}
    proof: [looks]
  drain:
    title: Drain
    mends: {board: {hung: 0.8}}
    stage: open
    minutes: 3
    proof: [looks]
  new_cable:
    title: New cable
    mends: {cable: {worn: 0.95, cut: 0.95}}
    stage: open
    minutes: 30
    part: {low: 10, likely: 20, high: 30}
    proof: [looks]
  new_lamp:
    title: New lamp
    mends: {lamp: 0.9}
    stage: open
    minutes: 30
    part: {low: 10, likely: 20, high: 30}
    proof: [looks]
  new_hinge:
    title: New hinge
    mends: {hinge: 0.9}
    stage: open
    minutes: 30
    proof: [looks]
"""


def leading_model(text: str = TEXT) -> FaultModel:
    return parse_model(text, "leading.yaml")
