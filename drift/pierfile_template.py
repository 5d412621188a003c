"""The commented site file that `drift init` writes: every key with its meaning, unit, range and default."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping

from pydantic.fields import FieldInfo

from drift.sitefile.keys import allowed_words, key_of, shown, toml
from drift.sitefile.sections import SECTIONS

_WIDTH = 100
_HEAD = (
    "The site file of one pier.  Every drift command reads it; change it with any text editor.  A line that "
    "begins with # and a blank is a remark.  A key behind a bare # is not given: take the # away and put "
    "your own value there.  Text stands in quotes, numbers do not, and they have a decimal point.  A wrong "
    "key or value is answered with its line by the next drift command."
)


def template(given: Mapping[str, Mapping[str, object]]) -> str:
    """Return the text of a site file.

    Parameters
    ----------
    given
        Section -> key -> value.  These keys stand as they are; all others are
        commented out, with their default or, where there is none, with an example.
    """
    parts = [_remark(_HEAD)]
    for section, model in SECTIONS.items():
        values = given.get(section, {})
        keys = [_entry(name, field, values) for name, field in model.model_fields.items()]
        title = _remark((model.__doc__ or "").strip())
        parts.append("\n".join([f"[{section}]", title, "", "\n\n".join(keys)]))
    return "\n\n\n".join(parts) + "\n"


def _entry(name: str, field: FieldInfo, values: Mapping[str, object]) -> str:
    about = key_of(field).about
    lines = [_remark(f"{about}{'' if about.endswith('?') else '.'}"), _remark(_range(field))]
    value = values.get(name, _instead(field))
    lines.append(f"{'' if name in values else '#'}{name} = {toml(value)}")
    return "\n".join(lines)


def _range(field: FieldInfo) -> str:
    """Say what is allowed and what holds when the key isn't given."""
    key, allowed = key_of(field), f"Allowed: {allowed_words(field)}."
    if field.is_required():
        return f"{allowed}  Must be given."
    if _has_no_default(field):
        return f"{allowed}  Default: {key.silent or key.assumed or 'none'}; the value here is an example."
    return f"{allowed}  Default: {key.silent or key.assumed or shown(field.default)}."


def _has_no_default(field: FieldInfo) -> bool:
    return field.is_required() or field.default in (None, "", ())


def _instead(field: FieldInfo) -> object:
    """Return what stands behind a key that is commented out."""
    return key_of(field).example if _has_no_default(field) else field.default


def _remark(text: str) -> str:
    return textwrap.fill(
        text,
        _WIDTH,
        initial_indent="# ",
        subsequent_indent="# ",
        break_long_words=False,
        break_on_hyphens=False,
    )
