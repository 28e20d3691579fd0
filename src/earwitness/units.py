"""Names for what more than one room needs: array aliases and units of pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples: TypeAlias = NDArray[np.float32]
    """Sound pressure samples relative to full scale, shape (frames,) [1]."""
    Floats: TypeAlias = NDArray[np.float64]
    """Any array of double-precision numbers; the docstring at hand says which."""

PressureUnit = Literal["kpa", "psi", "bar"]
"""Units of gauge pressure that a gauge may show."""

KPA_PER_UNIT: dict[PressureUnit, float] = {"kpa": 1.0, "psi": 6.894757293168361, "bar": 100.0}
"""Kilopascals in one unit [kPa]. NIST SP 811 (2008), appendix B.8: 1 psi = 6.894 757 kPa."""
