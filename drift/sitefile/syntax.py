"""What is said about a site file that is no TOML: line, column, and the likely cause."""

from __future__ import annotations

import re
from pathlib import Path

_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")

#: What a reader's complaint usually comes from.
_BY_COMPLAINT = (
    ("Cannot overwrite", "This key stands twice in its section; keep one of them."),
    ("Cannot declare", "This section stands twice; put all its keys below one heading."),
    ("Cannot mutate", "This section stands twice; put all its keys below one heading."),
    ("Duplicate", "This key stands twice in its section; keep one of them."),
    ("Unclosed array", "A list that is opened with [ has no closing ]."),
    ("Expected ']' at the end of a table", "A section's heading is written [name], alone on its line."),
    (
        "Unescaped '\\'",
        "A backslash has a meaning of its own between double quotes; use single ones, or / in paths.",
    ),
    ("Invalid date", "This day is not in the calendar; dates are written like 2021-05-14."),
)
#: What usually stands on the line; the first that fits.
_BY_LINE = (
    (
        "[\u201c\u201d\u2018\u2019\u00ab\u00bb]",
        "Use the plain quotes of the keyboard, not a word processor's curly ones.",
    ),
    (r"^\s*(//|;|--)", "A remark begins with #."),
    (r"=\s*[-+]?\d+,\d", "A number is written with a decimal point, not a comma: 47.3."),
    (
        "=\\s*[-+]?[\\d.]+\\s*[\u00b0\u00ba'\":]",
        "An angle is written in decimal degrees, without a sign for them: 47.3.",
    ),
    (r"=\s*[-+]?[\d.]+\s*[NSEWnsew]\b", "South and west are negative numbers, without a letter: -92.4."),
    ("=\\s*[\u2212\u2013\u2014]", "Use the plain minus sign - of the keyboard."),
    (
        r"=\s*\d{1,4}[-./]\d{1,2}[-./]\d{1,4}",
        "A date is written year-month-day, two digits each: 2021-05-14.",
    ),
    (r"=\s*[-+]?[\d.]+\s*[A-Za-z]", "A number is written without its unit; the key's name says the unit."),
    (r"=\s*[-+]?(\.\d|\d+\.(?!\d))", "A decimal point has a digit on both sides: 0.5, 47.0."),
    (r"=\s*[-+]?0\d", "A number does not begin with a needless 0."),
    (r"(?i)=\s*(true|false|yes|no|on|off)\b", "Yes and no are written true and false, in small letters."),
    (r"=\s*(#.*)?$", "There is no value behind the =; write one, or a # before the key."),
    (r"=\s*([\"'])(?:(?!\1).)*$", "A text has no closing quote."),
    (r"=\s*[^\W\d]", "Text stands in quotes."),
    (r"^\s*\[", "A section's heading is written [name], alone on its line."),
    (r"^[^=#]*:", "A key and its value are joined by =, not by a colon."),
    (r"^[^=]+$", "Each line is a heading [section], a remark after #, or key = value."),
)


def syntax_words(path: Path, text: str, complaint: str) -> str:
    """Return the message about a text that is no TOML.

    Parameters
    ----------
    path
        The file.
    text
        Its whole text.
    complaint
        What the standard library's reader said.
    """
    found = _PLACE.search(complaint)
    plain = complaint[: found.start()] if found else complaint
    lines = text.split("\n")
    if found and found[1]:
        number, column = int(found[1]), int(found[2])
        # The reader notices a value that lacks on the line itself, but an unclosed one on a later line.
        where = f"{path}, line {number}, column {column}"
    else:
        number = max((k for k, line in enumerate(lines, 1) if line.strip()), default=1)
        column, where = 1, f"{path}, at its end (line {number})"
    line = lines[number - 1].strip() if number <= len(lines) else ""
    seen = f" at {_cut(line)}" if line else ""
    return f"{where}: this is not TOML{seen}.  {_cause(plain, line)}"


def _cut(line: str) -> str:
    line = re.sub("://.*", "://...", line)  # a password may stand behind it
    return repr(line if len(line) <= 60 else f"{line[:56]} ...")


def _cause(complaint: str, line: str) -> str:
    for beginning, cause in _BY_COMPLAINT:
        if complaint.startswith(beginning):
            return cause
    for pattern, cause in _BY_LINE:
        if re.search(pattern, line):
            return cause
    return f"The reader says: {complaint}."
