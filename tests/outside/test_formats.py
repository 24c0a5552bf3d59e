"""Files in standard formats, held against another program's reader and published figures.

- pyAgrum reads the exported BIF and infers by lazy propagation; its reader keeps
  about seven digits, so that posteriors agree to 1e-6.
- The chest clinic network (Lauritzen & Spiegelhalter, J. R. Statist. Soc. B 50 (1988) 157), as
  the file asia.bif.gz inside the pgmpy package, goes through a skeleton; the figures below are
  recomputed from that file and given to six digits, and pgmpy's variable elimination on the
  file itself is met to 1e-9.
- The score interval for a share against scipy (Wilson, J. Am. Statist. Assoc. 22 (1927) 209).
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest

from faultfinder.assess.intervals import wilson
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.loading import load_model
from faultfinder.inference.posterior import beliefs, evidence_from, posterior
from faultfinder.interchange.formats import bif_text, read_network, safe_names, xmlbif_text
from faultfinder.interchange.skeleton import skeleton
from faultfinder.model.reading.reader import parse_model
from tests.consulted import look_at
from tests.networks import published
from tests.outside.reference import elimination_of
from tests.small_shop import small_shop

EVIDENCE = [
    {},
    {"backlight": "off", "image": "none"},
    {"earlier_repair": "yes", "backlight": "off", "start_signs": "clear"},
    {"knock": "yes", "glass": "whole", "image": "lines"},
]


def agrum_posteriors(
    path: Path, compiled: CompiledModel, findings: dict[str, str]
) -> dict[str, list[float]]:
    """P(cause | complaint, findings) by pyAgrum on the file, states in the model's order."""
    import pyagrum

    names = safe_names(compiled)
    network = pyagrum.loadBN(str(path))
    known = dict(findings)
    complaint = compiled.model.complaint
    assert complaint is not None
    known[complaint] = compiled.model.by_name[complaint].states[-1]
    inference = pyagrum.LazyPropagation(network)
    inference.setEvidence({names.nodes[n]: names.states[n][s] for n, s in known.items()})
    inference.makeInference()
    found = {}
    for number in compiled.causes:
        name = compiled.network.names[number]
        variable = network.variable(names.nodes[name])
        chances = dict(
            zip(variable.labels(), inference.posterior(names.nodes[name]).tolist(), strict=True)
        )
        found[name] = [chances[names.states[name][s]] for s in compiled.network.states[number]]
    return found


@pytest.mark.parametrize("kind", ["bif", "bifxml"])
@pytest.mark.parametrize("findings", EVIDENCE)
def test_pyagrum_reads_the_shop_model_and_believes_the_same(
    kind: str, findings: dict[str, str], tmp_path: Path
) -> None:
    compiled = load_model("thin_clamshell")
    for name, state in findings.items():
        assert state in compiled.model.by_name[name].states
    path = tmp_path / f"model.{kind}"
    text = bif_text(compiled) if kind == "bif" else xmlbif_text(compiled)
    path.write_text(text, encoding="utf-8")
    told = agrum_posteriors(path, compiled, findings)
    calibrated = beliefs(compiled, evidence_from(compiled, findings))
    for number in compiled.causes:
        ours = posterior(compiled, calibrated, number)[:, 0].tolist()
        assert ours == pytest.approx(told[compiled.network.names[number]], abs=1e-6)


def test_pyagrum_reads_the_small_shop(tmp_path: Path) -> None:
    compiled = compile_model(small_shop())
    path = tmp_path / "small.bif"
    path.write_text(bif_text(compiled), encoding="utf-8")
    for findings in ({}, {"look": "nothing"}, {"plug_seen": "yes", "glass_cracked": "no"}):
        told = agrum_posteriors(path, compiled, findings)
        answer = look_at(compiled, findings)
        for cause, states in answer.cause_states.items():
            assert list(states.values()) == pytest.approx(told[cause], abs=1e-6)


# --- the chest clinic


def clinic_file() -> Path:
    import pgmpy

    return Path(pgmpy.__file__).parent / "utils" / "example_models" / "asia.bif.gz"


def clinic(
    complaint: str | None = None, causes: tuple[str, ...] = ("tub", "lung", "bronc")
) -> CompiledModel:
    made = skeleton(
        read_network(clinic_file()), "clinic", "asia.bif.gz", causes=causes, complaint=complaint
    )
    return compile_model(parse_model(made.text, "clinic.yaml"))


KNOWN = [
    ({}, {"tub": 0.0104, "lung": 0.055, "bronc": 0.45}),
    ({"asia": "yes", "dysp": "yes"}, {"tub": 0.087751, "lung": 0.099525, "bronc": 0.811402}),
    (
        {"asia": "yes", "dysp": "yes", "xray": "no"},
        {"tub": 0.002249, "lung": 0.002550, "bronc": 0.862761},
    ),
    (
        {"asia": "yes", "dysp": "yes", "xray": "yes"},
        {"tub": 0.391712, "lung": 0.444271, "bronc": 0.628822},
    ),
]


@pytest.mark.parametrize(("findings", "wanted"), KNOWN)
def test_the_chest_clinic_gives_its_known_beliefs_through_a_skeleton(
    findings: dict[str, str], wanted: dict[str, float]
) -> None:
    answer = look_at(clinic(), findings)
    for cause, chance in wanted.items():
        assert answer.causes[cause] == pytest.approx(chance, abs=6e-7)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = elimination_of(published("asia"))
        for cause in wanted:
            exact = reference.query([cause], evidence=findings, show_progress=False)
            yes = exact.state_names[cause].index("yes")
            assert answer.causes[cause] == pytest.approx(float(exact.values[yes]), abs=1e-9)


def test_a_complaint_taken_from_a_node_counts_as_seen() -> None:
    """Shortness of breath as the complaint: the published beliefs without naming it."""
    answer = look_at(clinic("dysp", ("tub", "lung")), {"asia": "yes"})
    assert answer.causes["tub"] == pytest.approx(0.087751, abs=6e-7)
    assert answer.causes["lung"] == pytest.approx(0.099525, abs=6e-7)
    assert answer.evidence_probability == pytest.approx(0.01 * _dyspnoea_given_asia(), abs=1e-9)


def _dyspnoea_given_asia() -> float:
    found = elimination_of(published("asia")).query(
        ["dysp"], evidence={"asia": "yes"}, show_progress=False
    )
    return float(found.values[found.state_names["dysp"].index("yes")])


# --- intervals


@pytest.mark.parametrize("hits", [0, 1, 7, 200, 399, 400])
def test_the_score_interval_is_that_of_scipy(hits: int) -> None:
    from scipy.stats import binomtest

    low, high = wilson(hits, 400)
    exact = binomtest(hits, 400).proportion_ci(0.95, method="wilson")
    assert (low, high) == pytest.approx((exact.low, exact.high), abs=1e-12)
    assert np.isfinite([low, high]).all()
