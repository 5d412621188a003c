"""Cells that are all written like the first one, looked at all at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_ZERO, _NINE, _PLUS, _MINUS = (ord(sign) for sign in "09+-")


class Alike:
    """Cells of one length with digits in the same places; a leading sign may differ."""

    def __init__(self, signs: npt.NDArray[np.uint8]) -> None:
        self._signs = signs

    @classmethod
    def of(cls, cells: list[str]) -> Alike | None:
        """Take cells in, or return None when they are not alike."""
        together = "".join(cells)
        if not cells or not cells[0] or len(together) != len(cells) * len(cells[0]) or not together.isascii():
            return None
        signs = np.frombuffer(together.encode(), dtype=np.uint8).reshape(len(cells), -1)
        digit = np.array([sign.isdigit() for sign in cells[0]], dtype=bool)
        if not (signs[:, digit] - _ZERO <= 9).all():
            return None
        fixed = ~digit
        if cells[0][0] in "+-":
            fixed[0] = False
            if not np.isin(signs[:, 0], (_PLUS, _MINUS)).all():
                return None
        if not (signs[:, fixed] == signs[0, fixed]).all():
            return None
        return cls(signs)

    def number(self, span: tuple[int, int]) -> npt.NDArray[np.int64]:
        """Return the whole number that stands between two places of each cell; 0 for no digits."""
        start, end = max(span[0], 0), max(span[1], 0)
        value = np.zeros(len(self._signs), dtype=np.int64)
        for place in range(start, end):
            value = value * 10 + (self._signs[:, place].astype(np.int64) - _ZERO)
        return value

    def negative(self) -> npt.NDArray[np.bool_]:
        """Tell which cells begin with a minus."""
        return self._signs[:, 0] == _MINUS
