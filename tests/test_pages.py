"""Pages in general: one base, one policy, everything escaped; and reports print nothing."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import jinja2
import pytest

import faultfinder.report
from faultfinder.report.html import TEMPLATES, render
from faultfinder.report.page import Page
from tests.chromium import POLICY, policy_of

REPORT = Path(faultfinder.report.__file__).parent
EVIL = "<script>x</script>\x1b[2J\u202e\"'&"


def lead(page: Page, title: str = "Invented") -> str:
    return render("lead.html", title=title, made_at="now", tickets="3 closed tickets", page=page)


def test_every_page_stands_on_the_base_which_alone_has_policy_and_style() -> None:
    whole = {path.name: path.read_text(encoding="utf-8") for path in TEMPLATES.glob("*.html")}
    pages = set(whole) - {"base.html", "blocks.html"}
    assert {"plan.html", "sheet.html", "model.html", "lead.html"} <= pages
    for name in pages:
        assert whole[name].startswith('{% extends "base.html" %}')
    for name, text in whole.items():
        assert ("Content-Security-Policy" in text) == (name == "base.html")
        assert ("<style>" in text) == (name == "base.html")
        assert not re.search(r"<script|<link|<img|<iframe|https?:|autoescape", text), name
    # Drawings are the one thing that is put in as it is.
    assert sum(text.count("|safe") for text in whole.values()) == 1
    assert policy_of(lead(Page())) == POLICY
    style = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    assert not re.search(r"url\(|@import|https?:", style)


def test_whatever_stands_in_a_block_is_text() -> None:
    page = Page()
    for put in (page.heading, page.text, page.section, page.answer):
        put(EVIL)
    page.item(EVIL, EVIL)
    page.item("Caution:", EVIL)
    page.numbered([EVIL])
    page.table([EVIL, EVIL], [[EVIL, EVIL]])
    page.figure("<svg></svg>", EVIL)
    made = lead(page, EVIL)
    assert "<script" not in made
    assert made.count("<svg>") == 1
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e]", made)
    assert made.count("&lt;script&gt;x&lt;/script&gt;\\x1b[2J\\u202e") >= 15


def test_a_block_that_has_no_html_and_a_value_that_is_missing_are_errors() -> None:
    page = Page()
    page.row("A row of a terminal", [("1", 3)])
    with pytest.raises(jinja2.UndefinedError):
        lead(page)
    with pytest.raises(jinja2.UndefinedError):
        render("lead.html", title="No page")


def test_functions_of_reports_return_and_never_print() -> None:
    for path in REPORT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = node.func
                name = called.attr if isinstance(called, ast.Attribute) else ""
                name = called.id if isinstance(called, ast.Name) else name
                assert name not in ("print", "echo", "secho", "write_text"), path
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = {alias.name for alias in node.names} | {getattr(node, "module", "") or ""}
                assert not {"click", "sys", "sqlalchemy"} & names, path
