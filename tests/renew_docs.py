"""Rewrites the option tables in docs/plugins from what the plugins declare.

Run it from the top of the project after an option has changed: python tests/renew_docs.py
"""

from __future__ import annotations

import re
from pathlib import Path

from pointsman.reference import option_table
from pointsman.registry import Registry, load_plugins

PAGES = Path(__file__).parent.parent / "docs" / "plugins"

_TABLE = re.compile(r"(<!-- options: (\w+) -->\n).*?(<!-- end of options -->)", re.DOTALL)


def renewed(page: str, registry: Registry) -> str:
    """The text of a page with every option table as it is generated now."""

    def table(found: re.Match[str]) -> str:
        return f"{found[1]}{option_table(registry.plugins[found[2]])}\n{found[3]}"

    return _TABLE.sub(table, page)


def main() -> None:
    """Rewrite the pages whose tables are old."""
    registry = load_plugins()
    for path in sorted(PAGES.glob("*.md")):
        old = path.read_text("utf-8")
        new = renewed(old, registry)
        if new != old:
            path.write_text(new, "utf-8")
            print(f"renewed {path.relative_to(PAGES.parent.parent)}")


if __name__ == "__main__":
    main()
