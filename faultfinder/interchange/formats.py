"""Models in the interchange formats BIF and XMLBIF, written and read through pgmpy.

The network is written as it is computed with: every history, cause, condition, the complaint
and finding is a node, and so are the small steps that a large family was split into. Numbers
come back to the last bit: pgmpy writes them with Python's shortest exact form as long as it
is not asked to round. Imported by the two commands that need it only.
"""

from __future__ import annotations

import gzip
import logging
import re
import warnings
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from faultfinder.errors import FaultfinderError, MisuseError, did_you_mean
from faultfinder.files import open_plain, read_some, refused
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Array

READ_LIMIT = 20_000_000
"""Bytes above which a network file is not read."""

_RESERVED = frozenset(
    {"network", "variable", "probability", "property", "type", "discrete", "table", "default"}
    | {"unknown", "true", "false"}
)
"""Words that mean something to readers of the formats."""


@dataclass(frozen=True)
class SafeNames:
    """What nodes and states are called in a file: letters, digits and underscores.

    `nodes` maps a variable's name to its node; `states[name]` a state to its name there.
    Each mapping is one to one, so that it can be read backwards.
    """

    nodes: Mapping[str, str]
    states: Mapping[str, Mapping[str, str]]

    def changes(self) -> tuple[str, ...]:
        """A line for each name that differs from the model's: "in file = in model"."""
        lines = []
        for name, node in self.nodes.items():
            if node != name:
                lines.append(f"{node} = {name}")
            lines += [
                f"{node}.{there} = {name}={here}"
                for here, there in self.states[name].items()
                if there != here
            ]
        return tuple(lines)


def safe_names(compiled: CompiledModel) -> SafeNames:
    """Names for a file. Readers may ignore case, so that names differ in more than that."""
    network = compiled.network
    return SafeNames(
        _one_to_one(network.names, "v"),
        {
            name: _one_to_one(states, "s")
            for name, states in zip(network.names, network.states, strict=True)
        },
    )


def _one_to_one(names: Iterable[str], letter: str) -> dict[str, str]:
    names = list(names)
    # Names that need no change keep theirs.
    plain = {name: re.sub(r"[^A-Za-z0-9_]", "_", name) for name in names}
    order = sorted(names, key=lambda name: (_safe(plain[name], letter) != name, names.index(name)))
    taken: set[str] = set()
    found: dict[str, str] = {}
    for name in order:
        word = base = _safe(plain[name], letter)
        number = 2
        while word.lower() in taken:
            word, number = f"{base}_{number}", number + 1
        taken.add(word.lower())
        found[name] = word
    return {name: found[name] for name in names}


def _safe(word: str, letter: str) -> str:
    if not re.match(r"[A-Za-z]", word):
        word = f"{letter}_{word}"
    return f"{word}_" if word.lower() in _RESERVED else word


def to_pgmpy(compiled: CompiledModel, names: SafeNames | None = None) -> Any:
    """The model as a pgmpy DiscreteBayesianNetwork, under the names of `names`."""
    with _quiet():
        from pgmpy.factors.discrete import TabularCPD
        from pgmpy.models import DiscreteBayesianNetwork

        names = names or safe_names(compiled)
        network = compiled.network
        states = {
            names.nodes[name]: [names.states[name][state] for state in own]
            for name, own in zip(network.names, network.states, strict=True)
        }
        made = DiscreteBayesianNetwork()
        made.name = _safe(re.sub(r"[^A-Za-z0-9_]", "_", compiled.model.name), "m")
        if re.search("variable|probability", made.name):
            # Readers look for these words to find the blocks of a file.
            made.name = "model"
        made.add_nodes_from(states)
        for number, name in enumerate(network.names):
            node = names.nodes[name]
            parents = [names.nodes[network.names[p]] for p in network.parents[number]]
            made.add_edges_from((parent, node) for parent in parents)
            # pgmpy has the child first; ours has it last.
            table = np.moveaxis(network.tables[number], -1, 0)
            made.add_cpds(
                TabularCPD(
                    node,
                    network.cards[number],
                    table.reshape(network.cards[number], -1),
                    evidence=parents or None,
                    evidence_card=[network.cards[p] for p in network.parents[number]] or None,
                    state_names={n: states[n] for n in (node, *parents)},
                )
            )
    return made


def bif_text(compiled: CompiledModel) -> str:
    """The model in BIF; changed names stand in comments at the top."""
    names = safe_names(compiled)
    with _quiet():
        from pgmpy.readwrite import BIFWriter

        body = str(BIFWriter(to_pgmpy(compiled, names)))
    head = [f"// {line}\n" for line in _about(compiled, names)]
    return "".join(head) + body


def xmlbif_text(compiled: CompiledModel) -> str:
    """The model in XMLBIF 0.3; changed names stand in a comment at the top."""
    names = safe_names(compiled)
    with _quiet():
        from pgmpy.readwrite import XMLBIFWriter

        body = str(XMLBIFWriter(to_pgmpy(compiled, names)))
    declaration, _, rest = body.partition("?>")
    # Two hyphens end a comment of XML.
    said = "\n".join(_about(compiled, names)).replace("--", "- -")
    return f"{declaration}?>\n<!--\n{said}\n-->{rest}\n"


def _about(compiled: CompiledModel, names: SafeNames) -> list[str]:
    complaint = compiled.model.complaint
    lines = [f"Network of the model {compiled.model.name}."]
    if complaint is not None:
        last = compiled.model.by_name[complaint].states[-1]
        lines.append(
            f"A diagnosis takes {names.nodes[complaint]} = {names.states[complaint][last]} as seen."
        )
    changes = names.changes()
    if changes:
        lines.append("Names changed for this format (in this file = in the model):")
        lines += [f"  {line}" for line in changes]
    return [line.encode("ascii", "backslashreplace").decode("ascii") for line in lines]


@dataclass(frozen=True)
class Node:
    """A node of a network read from a file.

    `table` has one axis per parent, in the order of `parents`, then the node's own; it sums
    to one over the last axis.
    """

    name: str
    states: tuple[str, ...]
    parents: tuple[str, ...]
    table: Array = field(repr=False)


def read_network(path: Path) -> tuple[Node, ...]:
    """The nodes of a BIF or XMLBIF file (also .gz), in the order of the file.

    Columns that a file rounded are scaled to sum to one, within 1e-6. Raises MisuseError for
    a file that cannot be read, or is no network.
    """
    text = _text(path)
    suffixes = [suffix.lower() for suffix in path.suffixes]
    is_xml = ".xmlbif" in suffixes or ".xml" in suffixes or text.lstrip().startswith("<")
    try:
        with _quiet():
            from pgmpy.readwrite import BIFReader, XMLBIFReader

            reader = XMLBIFReader(string=text) if is_xml else BIFReader(string=text)
            network = reader.get_model()
            nodes = tuple(node_of(network, name) for name in network.nodes())
    except (FaultfinderError, ImportError):
        raise
    except Exception as error:
        # The readers fail in many ways on what is no network file.
        kind = "XMLBIF" if is_xml else "BIF"
        raise MisuseError(
            f"{path} cannot be read as a network in {kind}: {' '.join(str(error).split())[:120]}."
        ) from error
    if not nodes:
        raise MisuseError(f"{path} holds no network: no node was found in it.")
    return nodes


def node_of(network: Any, name: Any) -> Node:
    """A node of a pgmpy network.

    Raises MisuseError where its table is missing or does not sum to one (tolerance 1e-6; within it
    the columns are scaled to one).
    """
    table = network.get_cpds(name)
    if table is None:
        raise MisuseError(f"The network has no table for {name}.")
    parents = tuple(map(str, table.variables[1:]))
    # pgmpy puts the child first; ours has it last.
    values = np.moveaxis(np.asarray(table.values, dtype=np.float64), 0, -1)
    sums = values.sum(axis=-1)
    if not np.all(np.isfinite(values)) or values.min() < 0 or np.abs(sums - 1).max() > 1e-6:
        raise MisuseError(f"The table of {name} has columns that do not sum to one.")
    states = tuple(str(state) for state in table.state_names[name])
    # A sum that is off by rounding alone is left as it stands.
    scale = np.where(np.abs(sums - 1.0) > 1e-12, sums, 1.0)
    return Node(str(name), states, parents, np.ascontiguousarray(values / scale[..., None]))


def check_node(name: str, nodes: Collection[str], role: str) -> None:
    """Raises MisuseError for a name that is no node's; `role` says where it was named."""
    if name not in nodes:
        raise MisuseError(f'The network has no node "{name}" ({role}). {did_you_mean(name, nodes)}')


def _text(path: Path) -> str:
    with refused(f"{path} cannot be read", MisuseError):
        if path.suffix == ".gz":
            try:
                with open_plain(path) as packed, gzip.open(packed) as file:
                    content = file.read(READ_LIMIT + 1)
            except EOFError as error:
                raise MisuseError(f"{path} is cut off in the middle.") from error
        else:
            content = read_some(path, READ_LIMIT + 1)
    if len(content) > READ_LIMIT:
        raise MisuseError(f"{path} is larger than {READ_LIMIT:,} bytes, which is not read.")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise MisuseError(f"{path} is no text in UTF-8.") from error


@contextmanager
def _quiet() -> Iterator[None]:
    """pgmpy warns and logs about files; refusals are worded here instead."""
    disabled = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logging.disable(disabled)
