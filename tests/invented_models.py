"""A small invented machine as a model file, for tests of the command line."""

from __future__ import annotations

from pathlib import Path

SMALL_LID = """\
# Invented, for tests only.
faultfinder_model: 1
name: small_lid
title: Small invented lid
start: closed

complaint:
  name: no_usable_picture
  title: No usable picture
  any_of: [light, image_path]

histories:
  knock:
    title: Knocked
    ask: Was it dropped or knocked?
    states: [no, yes]
    words: {yes: [dropped, squeezed]}
    chance: {yes: 0.3}

causes:
  cable:
    title: Light cable loose
    states: [seated, half, off]
    noisy_max:
      leak: {half: 0.02, off: 0.06}
      links:
        knock:
          yes: {half: 0.05, off: 0.10}
  strip:
    title: Light strip dead
    states: [fine, dead]
    chance: {dead: 0.05}
  panel:
    title: Panel broken
    states: [fine, broken]
    noisy_or:
      leak: 0.04
      links:
        knock: {yes: 0.2}
  driver:
    title: Light supply dead
    states: [fine, dead]
    chance: {dead: 0.03}

conditions:
  light:
    title: Light behind the panel
    states: [steady, dark]
    worst_of:
      cable: {half: dark, off: dark}
      strip: {dead: dark}
      driver: {dead: dark}
  image_path:
    title: Image on the panel
    states: [clean, spoilt]
    any_of: [panel]

findings:
  backlight:
    title: Backlight
    ask: Is the panel lit from behind?
    states: [on, flickers, off]
    words: {off: [dark, dead]}
    table:
      - when: {light: dark}
        gives: {on: 0.02, flickers: 0.08, off: 0.90}
      - otherwise: {on: 0.96, flickers: 0.03, off: 0.01}
  image:
    title: Image
    ask: What does the panel show?
    states: [clean, spoilt, none]
    table:
      - when: {image_path: spoilt}
        gives: {clean: 0.02, spoilt: 0.78, none: 0.20}
      - when: {light: dark}
        gives: {clean: 0.05, spoilt: 0.05, none: 0.90}
      - otherwise: {clean: 0.9, spoilt: 0.05, none: 0.05}
  lamp_image:
    title: Image under a lamp
    ask: Is there a faint image under a lamp?
    states: [no, yes]
    table:
      - when: {image_path: spoilt}
        gives: {no: 0.9, yes: 0.1}
      - otherwise: {no: 0.2, yes: 0.8}
  glass:
    title: Glass
    ask: Is the glass cracked?
    states: [whole, cracked]
    table:
      - when: {panel: broken}
        gives: {whole: 0.4, cracked: 0.6}
      - otherwise: {whole: 1.0}
  cable_seen:
    title: Light cable
    ask: Is the cable fully home?
    states: [home, loose]
    test: {of: cable, sensitivity: 0.95, specificity: 0.98}
  supply_volts:
    title: Light supply
    ask: What does the meter read?
    unit: V
    cuts: [1.0, 15.0]
    states: [normal, none, low]
    reads: [none, low, normal]
    table:
      - when: {driver: dead}
        gives: {normal: 0.02, none: 0.88, low: 0.10}
      - otherwise: {normal: 0.95, none: 0.02, low: 0.03}
  battery_shape:
    title: Battery
    ask: Is the battery flat?
    states: [flat, swollen]
    chance: {swollen: 0.01}

stages:
  closed: {title: Closed and running, powered: yes}
  cover_off:
    title: Bottom cover off
    powered: yes
    caution: The battery is live and bare here, so keep tools and rings away from it.
  isolated: {title: Battery disconnected, powered: no}
moves:
  - from: closed
    to: cover_off
    minutes: 6
    how: take out the ten screws, each back to its own hole later
    caution: Switch off first.
  - {from: cover_off, to: closed, minutes: 7}
  - {from: cover_off, to: isolated, minutes: 1, how: pull the battery plug by its body}
  - {from: isolated, to: cover_off, minutes: 1}

checks:
  ask_knock:
    title: Ask about knocks
    observes: [knock]
    minutes: 0.5
    stage: closed
    intake: yes
  look:
    title: Look at light and image
    observes: [backlight, image]
    minutes: 1
    stage: closed
    intake: yes
    suggests:
      backlight:
        off: "No light: cable, strip or supply."
  look_glass:
    title: Look at the glass
    observes: [glass]
    minutes: 0.5
    stage: closed
    intake: yes
    caution: Cracked glass cuts.
  lamp:
    title: Hold a lamp to the panel
    observes: [lamp_image]
    minutes: 2
    stage: closed
    tools: [lamp]
    how:
      - Switch on in a dim room.
      - Hold the lamp flat to the panel.
    suggests:
      lamp_image:
        yes: "The panel works: look for the light."
  look_battery:
    title: Look at the battery
    observes: [battery_shape]
    minutes: 1
    stage: cover_off
  look_cable:
    title: Look at the light cable
    observes: [cable_seen]
    minutes: 2
    stage: isolated
    how:
      - Look along the plug.
  measure_supply:
    title: Measure the light supply
    observes: [supply_volts]
    minutes: 4
    consumables: 0.5
    stage: cover_off
    tools: [meter]
    how:
      - Black lead to ground.
      - Red lead to the fuse.
    caution: The light supply can carry tens of volts.

stops:
  - finding: battery_shape
    results: [swollen]
    say: Put the machine down and keep clear of the battery.
"""


def write_small_lid(folder: Path) -> Path:
    """The model file, written into `folder`."""
    path = folder / "small_lid.yaml"
    path.write_text(SMALL_LID, encoding="utf-8")
    return path
