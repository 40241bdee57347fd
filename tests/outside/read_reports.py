"""Reads a report with parsers written by others and prints what they made of it as JSON.

Usage: read_reports.py junit|tap|csv|html FILE. Nothing here knows the program: what the parsers
return is passed on, and what they refuse ends with their error.
"""

import csv
import html.parser
import json
import re
import sys
import xml.etree.ElementTree


def junit(path):
    import junitparser

    suites = []
    for suite in junitparser.JUnitXml.fromfile(path):
        cases = []
        for case in suite:
            results = [
                {"kind": type(r).__name__, "type": r.type, "message": r.message, "text": r.text}
                for r in case.result
            ]
            cases.append({"name": case.name, "time": case.time, "results": results})
        suites.append(
            {
                "name": suite.name,
                "counts": [suite.tests, suite.failures, suite.errors, suite.skipped],
                "properties": {p.name: p.value for p in suite.properties()},
                "cases": cases,
            }
        )
    return {"root": xml.etree.ElementTree.parse(path).getroot().tag, "suites": suites}


def tap(path):
    import tap.parser

    found = {"version": None, "plan": None, "points": [], "unknown": [], "bail": False}
    for line in tap.parser.Parser().parse_file(path):
        if line.category == "version":
            found["version"] = line.version
        elif line.category == "plan":
            assert found["plan"] is None, "the plan comes once"
            found["plan"] = line.expected_tests
        elif line.category == "test":
            found["points"].append(
                {
                    "ok": line.ok,
                    "number": line.number,
                    "description": line.description,
                    "skip": line.directive.text if line.skip else None,
                    "yaml": line.yaml_block,
                }
            )
        elif line.category == "unknown":
            found["unknown"].append(str(line))
        elif line.category == "bail":
            found["bail"] = True
    return found


def rows(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


class Page(html.parser.HTMLParser):
    """Checks nesting by the HTML standard's list of void elements, and gathers what is shown."""

    VOID = {"meta", "br", "hr", "img", "input", "link", "col", "wbr", "source", "base", "area"}

    def __init__(self):
        super().__init__()
        self.open, self.problems, self.addresses, self.tags = [], [], [], {}
        self.cells, self.scopes, self.titles = [], [], []
        self.style = ""

    def handle_starttag(self, tag, attributes):
        self.tags[tag] = self.tags.get(tag, 0) + 1
        if tag not in self.VOID:
            self.open.append(tag)
        values = dict(attributes)
        for name in ("src", "href", "data", "action", "poster", "srcset"):
            if name in values:
                self.addresses.append(values[name])
        for name in values:
            if name.startswith("on"):
                self.problems.append(f"script in {tag} {name}")
        if tag == "th":
            self.scopes.append(values.get("scope"))
        if tag in ("td", "th"):
            self.cells.append("")

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.problems.append(f"</{tag}> closes nothing at {self.getpos()}")

    def handle_data(self, data):
        if "td" in self.open or "th" in self.open:
            self.cells[-1] += data
        if self.open and self.open[-1] == "style":
            self.style += data
        if self.open and self.open[-1] == "title" and "svg" in self.open:
            self.titles.append(data)


def luminance(colour):
    """Relative luminance, WCAG 2.1."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    parts = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def contrasts(style):
    """The least contrast of each palette: its text colours on the grounds they are used on."""
    found = []
    for block in re.findall(r":root \{(.*?)\}", style, re.S):
        of = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block))
        pairs = [(text, "ground") for text in ("ink", "soft", "live", "pass", "fail", "unclear")]
        pairs += [(text, "raised") for text in ("ink", "soft")]
        for state in ("pass", "fail", "unclear", "error"):
            pairs += [(text, f"{state}-ground") for text in (state, "ink", "soft")]
        ratios = []
        for text, ground in pairs:
            a, b = sorted((luminance(of[text]), luminance(of[ground])), reverse=True)
            ratios.append((a + 0.05) / (b + 0.05))
        found.append(min(ratios))
    return found


def page(path):
    with open(path, encoding="utf-8") as file:
        text = file.read()
    page = Page()
    page.feed(text)
    page.close()
    drawings = []
    for drawing in re.findall(r"<svg.*?</svg>", text, re.S):
        if "xmlns" in drawing:
            root = xml.etree.ElementTree.fromstring(drawing)
            name = "{http://www.w3.org/2000/svg}"
            drawings.append(
                {
                    "texts": [e.text for e in root.iter(f"{name}text")],
                    "titles": [e.text for e in root.iter(f"{name}title")],
                }
            )
    return {
        "doctype": text.lower().startswith("<!doctype html>"),
        "unclosed": page.open,
        "problems": page.problems,
        "addresses": sorted(set(page.addresses)),
        "in_style": re.findall(r"url\(|@import|https?:", page.style),
        "tags": page.tags,
        "cells": [cell.strip() for cell in page.cells],
        "scopes": page.scopes,
        "titles": page.titles,
        "drawings": drawings,
        "contrasts": contrasts(page.style),
    }


READERS = {"junit": junit, "tap": tap, "csv": rows, "html": page}
json.dump(READERS[sys.argv[1]](sys.argv[2]), sys.stdout)
