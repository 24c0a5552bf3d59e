"""A small, valid, invented model that says a distribution in each of the eight ways."""

from __future__ import annotations

SMALL_MODEL = """\
faultfinder_model: 1
name: small
title: Small invented clamshell
about: Invented for the tests.
start: closed

complaint:
  name: no_picture
  title: No picture
  any_of: [light, picture]
  retest: {minutes: 3, missed: 0.03}

histories:
  knock:
    title: Knocked or dropped
    ask: Was it knocked or dropped?
    states: [no, yes]
    words: {yes: [dropped, squeezed]}
    chance: {yes: 0.25}
    basis: {guess: "bench experience", worth: 40}
  liquid:
    ask: Was anything spilt on it?
    states: [no, yes]
    chance: {yes: 0.05}

causes:
  connector:
    title: Data connector unseated
    note: Reseat it with the battery disconnected.
    states: [seated, half, off]
    noisy_max:
      leak: {half: 0.01, off: 0.006}
      links:
        knock:
          yes: {half: 0.08, off: 0.05, basis: {count: "5 of 40 tickets", worth: 40}}
  strip:
    title: Backlight strip dead
    states: [alive, dead]
    chance: {dead: 0.02}
  corroded:
    title: Connector corroded
    states: [no, yes]
    noisy_or:
      leak: 0.002
      links:
        liquid: {yes: 0.3}
        knock: 0.01

conditions:
  light:
    title: Light behind the panel
    states: [steady, flickers, dark]
    worst_of:
      connector: {half: flickers}
      strip: {dead: dark}
  picture:
    title: Picture data reaches the panel
    states: [whole, gone]
    any_of: [corroded, {connector: [off]}]

findings:
  backlight:
    title: Backlight
    ask: Is the panel lit from behind?
    states: [on, flickers, off]
    words: {off: [black, dead]}
    table:
      - when: {light: dark}
        gives: {on: 0.02, off: 0.98}
        basis: {count: "31 of 32 tickets", worth: 32}
      - when: {light: flickers, picture: [whole, gone]}
        gives: {flickers: 0.9, off: 0.05}
      - otherwise: {on: 0.97, flickers: 0.02, off: 0.01}
  image:
    title: Image
    ask: Can an image be made out?
    states: [clear, faint, none]
    rule:
      - {when: {picture: gone}, then: none}
      - {when: {light: [flickers, dark]}, then: faint}
      - {otherwise: clear}
  connector_seen:
    title: Data connector as seen
    states: [seated, loose]
    test: {of: connector, shows: [half, off], sensitivity: 0.9, specificity: 0.97}
  supply_volts:
    title: Backlight supply voltage
    unit: V
    cuts: [1.0, 15.0]
    states: [normal, none, low]
    reads: [none, low, normal]
    table:
      - when: {corroded: yes}
        gives: {none: 0.5, low: 0.3}
      - otherwise: {normal: 0.98, none: 0.01, low: 0.01}
  battery_shape:
    title: Shape of the battery
    states: [flat, swollen]
    chance: {swollen: 0.02}

stages:
  closed: {title: Closed and running, powered: yes}
  cover_off: {title: Bottom cover off, powered: yes, caution: Battery still connected.}
  isolated: {title: Battery disconnected, powered: no}
moves:
  - {from: closed, to: cover_off, minutes: 6, how: "Screws into a tray."}
  - {from: cover_off, to: closed, minutes: 7}
  - {from: cover_off, to: isolated, minutes: 1, caution: "Pull by the tab."}
  - {from: isolated, to: cover_off, minutes: 1}

checks:
  look_screen:
    title: Look at the screen in the dark
    observes: [backlight, image]
    minutes: 1
    stage: closed
    intake: yes
    tools: [dim room]
    how:
      - Switch on in a dim room.
      - Look at the panel from the side.
    suggests:
      backlight:
        off: "No light: the strip or its connector."
  look_connector:
    title: Look at the data connector
    observes: [connector_seen, battery_shape]
    minutes: 2
    consumables: 0.5
    stage: isolated
    caution: Touch nothing with the battery connected.
  measure_supply:
    title: Measure the backlight supply
    observes: [supply_volts]
    minutes: 4
    stage: cover_off
    caution: The backlight voltage can hurt. Fix the probe first.

stops:
  - {finding: battery_shape, results: [swollen], say: "Stop. Do not press or charge it."}

proofs:
  brightness:
    title: Even light through the whole brightness range
    how: [Step through the range.]
    passes: No flicker at any step
    minutes: 2

repairs:
  reseat_connector:
    title: Reseat the data connector
    mends:
      connector: {half: 0.97, off: 0.95}
      corroded: 0.1
    stage: isolated
    minutes: 4
    part: {low: 0, likely: 1, high: 2}
    risk: {chance: 0.01, cost: 60, says: The latch can break.}
    how: [Open the latch., Seat the plug., Close the latch.]
    proof: [brightness]
    basis: {guess: "bench experience", worth: 10}
  send_away:
    title: Have the display rebuilt
    mends: {strip: 0.95, corroded: 0.9}
    stage: cover_off
    minutes: 10
    part: {low: 80, likely: 100, high: 140}
    lead_days: 5
    hand_over: yes
    proof: [brightness]
"""
