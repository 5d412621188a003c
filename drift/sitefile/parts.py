"""What the sections of the site file share."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

STRICT = Field(strict=True)
POSITIVE = Field(strict=True, gt=0)


class Section(BaseModel):
    """A section: its values can't be changed, and keys that it doesn't know are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
