"""The site file: what may be in it, what is assumed, and the messages about a wrong one.

- `tomllib` gives no positions, so a valid text is walked once more for its lines.
- One description of each key serves the error, the template, the prompt and the option.

Rejected: a separate template file; pydantic's lax numbers; another TOML package.
"""
