"""Prose folded to the terminal's width."""

from __future__ import annotations

import shutil
import textwrap

_WIDEST = 100


def folded(text: str) -> str:
    """One paragraph in lines that fit; the later lines of a point (`- …`) stand below its text.

    Words are not broken: a long path may stick out.

    What is to be written into a file is indented by four, and stays as it is.
    """
    if text.startswith("    "):
        return text
    width = max(min(shutil.get_terminal_size().columns, _WIDEST), 20)
    begin = "  " if text.startswith(("- ", "  ")) else ""
    return textwrap.fill(
        text, width, subsequent_indent=begin, break_on_hyphens=False, break_long_words=False
    )
