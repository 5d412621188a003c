"""The site file of an invented pier."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drift.demo.scenario import Scenario


def site_values(
    scenario: Scenario, extra: Mapping[str, Mapping[str, Any]] | None = None
) -> dict[str, dict[str, Any]]:
    """Return what the site file of a scenario says, by section and key.

    Parameters
    ----------
    scenario
        Site, zero and horizon come from it.
    extra
        More, by section and key; wins over the scenario.
    """
    values: dict[str, dict[str, Any]] = {
        "site": {
            "name": scenario.name,
            "latitude_deg": scenario.latitude_deg,
            "longitude_deg": scenario.longitude_deg,
            "elevation_m": scenario.elevation_m,
            "timezone": scenario.timezone,
        },
        "mount": {
            "hour_angle_zero": scenario.zero,
            "reports": "modelled" if scenario.modelled_fraction else "raw",
        },
        "horizon": {"altitude_deg": [list(point) for point in sorted(scenario.horizon)]},
    }
    for section, keys in (extra or {}).items():
        values[section] = values.get(section, {}) | dict(keys)
    return values


def site_text(scenario: Scenario, extra: Mapping[str, Mapping[str, Any]] | None = None) -> str:
    """Return the text of pier.toml: what `drift init` writes, filled in."""
    from drift.pierfile_template import template

    return template(site_values(scenario, extra))
