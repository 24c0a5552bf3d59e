"""Plots for pages, as SVG to stand in HTML: black on white, told apart by marks and lines.

The same figures give the same text, byte for byte. Matplotlib is imported here and nowhere
else; import this module only where a plot is wanted.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from textwrap import wrap
from typing import Any

from matplotlib import rc_context
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from faultfinder.assess.calibration import CalibrationBin
from faultfinder.report.wording import harmless, shortened

WIDE = 4.6
"""Inches: letters stay readable when a phone shrinks the plot to its width."""

ROW = 0.29
TALL = 0.42
"""Inches of a row with a name on one line, and on two."""

LABEL = 32
"""Characters of a line of a row's name in a plot; the table beside it has the whole of it."""

_BLACK, _WHITE, _GREY = "#000000", "#ffffff", "#808080"
_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "faultfinder",
    "font.family": "sans-serif",
    "font.size": 9.5,
    "text.parse_math": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "path.simplify": False,
}


@dataclass(frozen=True)
class Row:
    """A named value with its interval: low <= high, all in the plot's unit."""

    name: str
    value: float
    low: float
    high: float
    before: float | None = None


def reliability_plot(
    old: Sequence[CalibrationBin], new: Sequence[CalibrationBin], label: str
) -> str:
    """What happened against what was said, in percent, with intervals."""
    with rc_context(_STYLE):
        figure, axes = _figure(3.9)
        axes.plot([0, 100], [0, 100], color=_GREY, linewidth=0.8, linestyle=(0, (1, 2)))
        for bins, name, mark, face, line in (
            (old, "old figures", "o", _WHITE, "--"),
            (new, "new figures", "s", _BLACK, "-"),
        ):
            told = [one for one in bins if one.count]
            x = [one.mean_forecast * 100 for one in told]
            y = [one.observed * 100 for one in told]
            low = [max(0.0, (one.observed - one.interval[0]) * 100) for one in told]
            high = [max(0.0, (one.interval[1] - one.observed) * 100) for one in told]
            drawn = axes.errorbar(
                x, y, yerr=[low, high], fmt=mark, linestyle=line, color=_BLACK, mfc=face,
                markersize=5, linewidth=0.9, elinewidth=0.8, capsize=2.5, label=name,
            )  # fmt: skip
            for bar in drawn[2]:
                bar.set_linestyle(line)
        axes.set(xlim=(-2, 102), ylim=(-2, 102), xlabel="Said, %", ylabel="Seen, %")
        axes.legend(loc="upper left", frameon=False, handlelength=2.8)
        return _svg(figure, label, "reliability")


def moves_plot(rows: Sequence[Row], label: str) -> str:
    """Percent before (open ring) and after (filled, with its interval), on a log scale.

    The rows are numbered from 1. An interval that leaves the scale ends in an arrow.
    """
    with rc_context(_STYLE):
        figure, axes = _figure(0.95 + TALL * len(rows))
        told = [value for row in rows for value in (row.value, row.before or 0.0) if value > 0.0]
        floor = 10.0 ** math.floor(math.log10(max(min(told, default=0.01), 1e-6) * 100) - 0.3)
        for place, row in enumerate(rows):
            ends = [max(row.low * 100, floor), max(row.high * 100, floor)]
            axes.plot(ends, [place, place], color=_BLACK, linewidth=1.2)
            for end in ends:
                axes.plot([end], [place], color=_BLACK, marker="|" if end > floor else "<",
                          markersize=6, clip_on=False)  # fmt: skip
        places = range(len(rows))
        axes.plot([max((r.before or 0.0) * 100, floor) for r in rows], places, "o", mfc=_WHITE,
                  mec=_BLACK, markersize=6.5, label="before", clip_on=False)  # fmt: skip
        axes.plot([max(r.value * 100, floor) for r in rows], places, "s", color=_BLACK,
                  markersize=4, label="after, with its interval", clip_on=False)  # fmt: skip
        axes.set(xscale="log", xlabel="Probability, %", xlim=(floor, 100))
        axes.xaxis.set_major_formatter(lambda value, _place: f"{value:g}")
        axes.xaxis.set_minor_formatter(lambda _value, _place: "")
        _names(axes, [f"{place}. {row.name}" for place, row in enumerate(rows, 1)], 2)
        figure.legend(loc="outside upper left", ncols=2, frameon=False)
        return _svg(figure, label, "moves")


def bars_plot(rows: Sequence[Row], label: str) -> str:
    """Bits per minute as bars from zero, one a row; the intervals are not drawn."""
    with rc_context(_STYLE):
        figure, axes = _figure(0.65 + ROW * len(rows))
        axes.barh(range(len(rows)), [row.value for row in rows], height=0.6, color=_WHITE,
                  edgecolor=_BLACK, linewidth=0.9)  # fmt: skip
        axes.axvline(0.0, color=_BLACK, linewidth=0.8)
        axes.set(xlabel="Bits per minute")
        _names(axes, [row.name for row in rows])
        return _svg(figure, label, "bars")


def shares_plot(rows: Sequence[Row], unit: str, label: str) -> str:
    """Shares in percent with their intervals, one a row."""
    with rc_context(_STYLE):
        figure, axes = _figure(0.65 + ROW * len(rows))
        for place, row in enumerate(rows):
            axes.plot([row.low * 100, row.high * 100], [place, place], color=_BLACK,
                      linewidth=1.2, marker="|", markersize=6)  # fmt: skip
        axes.plot([row.value * 100 for row in rows], range(len(rows)), "s", color=_BLACK,
                  markersize=4.5)  # fmt: skip
        axes.set(xlabel=unit, xlim=(-2, 102))
        _names(axes, [row.name for row in rows])
        return _svg(figure, label, "shares")


def months_plot(rows: Sequence[Row], label: str) -> str:
    """Shares in percent by month, with their intervals."""
    with rc_context(_STYLE):
        figure, axes = _figure(2.9)
        places = list(range(len(rows)))
        values = [row.value * 100 for row in rows]
        low = [max(0.0, (row.value - row.low) * 100) for row in rows]
        high = [max(0.0, (row.high - row.value) * 100) for row in rows]
        axes.errorbar(places, values, yerr=[low, high], fmt="s", color=_BLACK, markersize=4.5,
                      linestyle="-", linewidth=0.6, elinewidth=0.9, capsize=2.5)  # fmt: skip
        step = max(1, math.ceil(len(rows) / 9))
        axes.set_xticks(places[::step], [row.name for row in rows[::step]], rotation=45, ha="right")
        axes.set(ylabel="Did not cure, %", ylim=(-2, 102), xlim=(-0.5, len(rows) - 0.5))
        return _svg(figure, label, "months")


def _figure(height: float) -> tuple[Figure, Any]:
    figure = Figure(figsize=(WIDE, height), layout="constrained", facecolor=_WHITE)
    FigureCanvasSVG(figure)
    return figure, figure.add_subplot()


def _names(axes: Any, names: Sequence[str], lines: int = 1) -> None:
    """The rows' names, the first row at the top, on so many lines at most."""
    told = []
    for name in names:
        parts = wrap(harmless(name), LABEL) if lines > 1 else [harmless(name)]
        kept = [*parts[: lines - 1], " ".join(parts[lines - 1 :])]
        told.append("\n".join(shortened(part, LABEL) for part in kept).rstrip())
    axes.set_yticks(range(len(names)), told)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="y", color=_GREY, linewidth=0.4, linestyle=(0, (1, 3)))
    axes.set_axisbelow(True)


def _svg(figure: Figure, label: str, prefix: str) -> str:
    """The drawing alone: no prologue, no metadata, names of its own, and words for it."""
    told = io.StringIO()
    figure.savefig(told, format="svg", metadata={"Date": None, "Creator": None})
    text = told.getvalue()
    text = text[text.index("<svg") :].strip()
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.S)
    text = re.sub(r"\s*<!--.*?-->", "", text, flags=re.S)
    # Rules in it would hold for the whole page; the page has the same ones for drawings.
    text = re.sub(r'<style type="text/css">.*?</style>', "", text, flags=re.S)
    text = re.sub(r'(<[^<>]*\s)id="([^"<>]*)"', rf'\1id="{prefix}-\2"', text)
    text = re.sub(r'(xlink:href="|url\()#', rf"\1#{prefix}-", text)
    said = escape(harmless(label))
    return f'<svg role="img" aria-label="{said}"' + text.removeprefix("<svg")
