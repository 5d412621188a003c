"""The invented world as files: logs, pier.toml and truth.json, the same bytes for the same scenario."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from drift.demo.blunders import BadRow, as_mappings, with_bad_rows
from drift.demo.csv_text import FILES, csv_lines
from drift.demo.site_text import site_text
from drift.demo.truth import truth_as_mapping
from drift.demo.world import World

TRUTH_NAME = "truth.json"
SITE_NAME = "pier.toml"


def log_texts(world: World) -> tuple[dict[str, str], tuple[BadRow, ...]]:
    """Return file name -> text of every log that has rows, and where its unusable rows stand."""
    files = {kind: csv_lines(world.tables[kind]) for kind in FILES if len(world.tables[kind])}
    bad_rows: tuple[BadRow, ...] = ()
    if world.scenario.bad_rows:
        files, bad_rows = with_bad_rows(world.scenario, files)
    return {FILES[kind]: "\n".join(lines) + "\n" for kind, lines in files.items()}, bad_rows


def json_text(value: Any, depth: int = 0) -> str:
    """Return JSON with one line for each key and each plain list, so that it can be read and compared."""
    pad = " " * (depth + 1)
    if isinstance(value, dict) and value:
        inner = (f"{pad}{json.dumps(key)}: {json_text(item, depth + 1)}" for key, item in value.items())
        return "{\n" + ",\n".join(inner) + "\n" + " " * depth + "}"
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n" + ",\n".join(pad + json.dumps(item) for item in value) + "\n" + " " * depth + "]"
    if isinstance(value, list):
        return json.dumps(value, separators=(",", ":"), allow_nan=False)
    return json.dumps(value, allow_nan=False)


def world_texts(world: World, extra_site: Mapping[str, Mapping[str, Any]] | None = None) -> dict[str, str]:
    """Return file name -> text of everything that a world is written as."""
    logs, bad_rows = log_texts(world)
    truth = truth_as_mapping(world.course, world.truth) | {"bad_rows": as_mappings(bad_rows)}
    return {**logs, SITE_NAME: site_text(world.scenario, extra_site), TRUTH_NAME: json_text(truth) + "\n"}


def write_texts(folder: Path, texts: Mapping[str, str]) -> tuple[Path, ...]:
    """Write texts into a folder, making it when there is none; the same bytes on every system."""
    paths = []
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode("utf-8"))
        paths.append(path)
    return tuple(paths)


def write_world(
    world: World, folder: Path, extra_site: Mapping[str, Mapping[str, Any]] | None = None
) -> tuple[Path, ...]:
    """Write the logs, pier.toml and truth.json of a world; return their paths."""
    return write_texts(folder, world_texts(world, extra_site))
