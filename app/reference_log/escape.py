"""Contributed text, made harmless for the place it goes to. The log itself keeps it unchanged."""

from __future__ import annotations

import html
import re
import unicodedata

# What makes a spreadsheet run a cell: these first characters (full-width forms too, which some versions fold), also behind blanks
# that an import trims. Cells that begin with the guard itself get another, so that `undefuse` gives every text back unchanged.
_RUNS = re.compile(r"'*(?:[\s\ufeff\u200b]*[=+\-@＝＋－＠]|[\t\r\n])")
_GUARD = "'"


def defuse(cell: str) -> str:
    """A cell that no spreadsheet runs as a formula: an apostrophe before what would run."""
    return _GUARD + cell if _RUNS.match(cell) else cell


def undefuse(cell: str) -> str:
    """What `defuse` was given."""
    return cell[1:] if cell.startswith(_GUARD) and _RUNS.match(cell) else cell


def visible(text: str, width: int = 0) -> str:
    """One line for a terminal or a post: control characters and marks of direction as visible codes, cut to `width` if above 0.

    A terminal obeys escape sequences, and marks of direction can make one name look like another.
    """
    shown = "".join(c if unicodedata.category(c) not in {"Cc", "Cf", "Co", "Cs", "Zl", "Zp"} else f"\\u{ord(c):04x}" for c in text)
    return shown[: width - 1] + "…" if width and len(shown) > width else shown


# What means something to Markdown wherever it stands, and what does before another character (addresses, numbers of issues).
_MARKS = re.compile(r"[\\`*_{}\[\]!|~>@/$]|[.:#](?=\S)")


def markdown(text: str) -> str:
    """Text that Markdown shows as it is: every character with a meaning escaped, HTML too."""
    shown = html.escape(visible(text), quote=False)
    # A line that starts with a number and a point, a dash or a rhomb would be a list or a heading.
    start = len(shown) - len(shown.lstrip(" 0123456789"))
    rest = _MARKS.sub(r"\\\g<0>", shown[start:])
    return shown[:start] + ("\\" if rest[:1] in ("-", "+", "#", "=", ".", ")") else "") + rest


def page(text: str) -> str:
    """Text for an HTML page, apart from the direction of what stands around it."""
    return f"<bdi>{html.escape(visible(text), quote=True)}</bdi>"
