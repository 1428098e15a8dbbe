"""Keeps docs/plugins true: option tables, rigs and event tables are what the program does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness import events, play, problems
from pointsman.registry import OWN_DISTRIBUTION, load_plugins
from renew_docs import PAGES, renewed

REGISTRY = load_plugins()
SHIPPED = sorted(n for n in REGISTRY.plugins if REGISTRY.sources[n].origin == OWN_DISTRIBUTION)
TEXTS = {path.stem: path.read_text("utf-8") for path in sorted(PAGES.glob("*.md"))}

_FENCE = re.compile(r"^```yaml\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_TABLE = re.compile(r"^\| time \|.*\n\| --- .*\n((?:\|.*\n)+)", re.MULTILINE)
_GETS = " gets"

RIGS = [
    pytest.param(rig, id=f"{page}-{number}")
    for page, text in TEXTS.items()
    for number, rig in enumerate(_FENCE.findall(text), 1)
]


def event_tables() -> list[tuple[str, str, str]]:
    """Page, rig and table: each event table belongs to the rig that stands last before it."""
    found = []
    for page, text in TEXTS.items():
        for table in _TABLE.finditer(text):
            *_, rig = _FENCE.findall(text[: table.start()])
            found.append((page, rig, table[0]))
    return found


TABLES = [pytest.param(rig, table, id=page) for page, rig, table in event_tables()]


def cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip()[1:-1].split("|")]


def test_every_shipped_plugin_has_a_page() -> None:
    assert SHIPPED, "no shipped plugin is installed"
    assert [name for name in SHIPPED if name not in TEXTS] == []


@pytest.mark.parametrize("name", SHIPPED)
def test_the_option_table_is_what_the_plugin_declares(name: str) -> None:
    page = TEXTS.get(name, "")
    assert f"<!-- options: {name} -->" in page
    assert page == renewed(page, REGISTRY), "renew the tables with: python tests/renew_docs.py"


@pytest.mark.parametrize("rig", RIGS)
def test_every_rig_on_the_pages_loads(tmp_path: Path, rig: str) -> None:
    assert "outputs:" in rig
    assert problems(tmp_path, rig) == []


@pytest.mark.parametrize("name", SHIPPED)
def test_every_page_shows_a_rig_and_what_it_does(name: str) -> None:
    page = TEXTS.get(name, "")
    assert _FENCE.search(page)
    assert _TABLE.search(page)


@pytest.mark.parametrize(("rig", "table"), TABLES)
def test_event_tables_show_what_the_program_renders(tmp_path: Path, rig: str, table: str) -> None:
    heads, _, *rows = [cells(line) for line in table.splitlines()]
    assert heads[1] == "comes in"

    def column(place: int) -> str:
        return "\n".join(f"{row[0]} {row[place]}" for row in rows if row[place])

    heard = play(tmp_path, rig, column(1))
    for place, head in enumerate(heads):
        if head.endswith(_GETS):
            assert heard.pop(head.removesuffix(_GETS)) == events(column(place))
    assert heard == {}, "the table shows every output"
