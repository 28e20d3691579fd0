"""Describe the engine under test: cylinders, banks, firing order, cooling and tailpipes."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from earwitness.engine.coverage import check_covered
from earwitness.errors import LayoutError

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

Arrangement = Literal["inline", "vee", "flat"]
Cooling = Literal["liquid", "air"]
Fuel = Literal["petrol", "diesel"]

CYCLE_DEG = 720.0
"""Crank rotation of one four-stroke working cycle [degrees]. Definition."""
SUM_TOLERANCE_DEG = 1.0
"""How far given firing intervals may miss `CYCLE_DEG` in sum [degrees]. Chosen: what is lost where
sixteen of them are written with one decimal."""
LEAST_INTERVAL_DEG = 2.0
"""Smallest firing interval [degrees]. Chosen: nearer than that, two pistons cannot be told apart
with a degree wheel."""
COMPANION_TOLERANCE_DEG = 0.5
"""How far from one whole turn a companion may be [degrees]. Chosen: half a division of a degree
wheel, and so narrow that no cylinder can have two companions."""
MOST_CYLINDERS = 16
"""Largest engine that is planned for [1]. Chosen: the largest road and marine engines in common
use; common practice, no source."""
BORE_RANGE_MM = (20.0, 400.0)
"""Bores that are taken as millimetres [mm]. A bore outside was most likely given in inches,
centimetres or metres; common practice, no source."""
DEFAULT_FIRING_ORDERS: dict[tuple[Arrangement, int], tuple[int, ...]] = {
    ("inline", 1): (1,),
    ("inline", 2): (1, 2),
    ("inline", 3): (1, 3, 2),
    ("inline", 4): (1, 3, 4, 2),
    ("inline", 5): (1, 2, 4, 5, 3),
    ("inline", 6): (1, 5, 3, 6, 2, 4),
    ("inline", 8): (1, 6, 2, 5, 8, 3, 7, 4),
    ("flat", 2): (1, 2),
    ("flat", 4): (1, 3, 2, 4),
    ("flat", 6): (1, 4, 5, 2, 3, 6),
    ("vee", 8): (1, 8, 4, 3, 6, 5, 7, 2),
}
"""Firing order assumed when none is given [cylinder numbers]. Four and six in line: engineering
course tables, seen in a secondary copy; flat four (one of the two that are named there) and flat
six: FAA-H-8083-32, chapter 1, seen in a secondary copy; V8: seen in a secondary copy; three, five
and eight in line: from memory; one and two: no other order exists. V6, V10, V12 and V16 have none:
makers number them too differently. The maker's order always wins."""


@dataclass(frozen=True, slots=True)
class EngineLayout:
    """A four-stroke piston engine as far as leak finding needs to know it.

    Raises
    ------
    LayoutError
        If no such engine can exist or it is outside what this tool covers.

    Examples
    --------
    >>> engine = EngineLayout(cylinders=4, firing_order=(1, 3, 4, 2))
    >>> engine.neighbours(3), engine.companion(3)
    ((2, 4), 2)
    """

    cylinders: int
    firing_order: tuple[int, ...]
    arrangement: Arrangement = "inline"
    banks: tuple[tuple[int, ...], ...] = ()
    """Cylinder numbers of each bank from front to back; one bank for an in-line engine."""
    bore_mm: float | None = None
    cooling: Cooling = "liquid"
    fuel: Fuel = "petrol"
    tailpipes: int = 1
    label: str = ""
    firing_intervals_deg: tuple[float, ...] = ()
    """Crank rotation from each firing to the next, in firing order, the last one back to the first
    [degrees]; empty if the engine fires evenly."""

    def __post_init__(self) -> None:
        _check_count(self.cylinders)
        _check_choices(self)
        object.__setattr__(self, "firing_order", _checked_order(self.firing_order, self.cylinders))
        object.__setattr__(self, "banks", _checked_banks(self))
        intervals = _checked_intervals(self.firing_intervals_deg, self.cylinders)
        object.__setattr__(self, "firing_intervals_deg", intervals)
        _check_bore(self.bore_mm)

    @property
    def fires_evenly(self) -> bool:
        """Whether all firings are equally far apart."""
        return not self.firing_intervals_deg

    @property
    def intervals_deg(self) -> tuple[float, ...]:
        """Crank rotation from each firing to the next, in firing order [degrees]."""
        even = (CYCLE_DEG / self.cylinders,) * self.cylinders
        return self.firing_intervals_deg or even

    @property
    def tdc_deg(self) -> dict[int, float]:
        """Compression top dead centre of each cylinder after that of the first to fire [degrees].

        By cylinder number, in firing order, from 0 up to 720.
        """
        sums = itertools.accumulate(self.intervals_deg[:-1], initial=0.0)
        return dict(zip(self.firing_order, sums, strict=True))

    def require(self, cylinder: int) -> None:
        """Refuse a cylinder number that this engine does not have.

        Raises
        ------
        LayoutError
            If `cylinder` is not one of 1 … `cylinders`.
        """
        if not _is_whole(cylinder) or not 1 <= cylinder <= self.cylinders:
            raise LayoutError(
                f"cylinder {cylinder!r} does not exist on an engine with {self.cylinders} "
                f"cylinder{'s' if self.cylinders > 1 else ''}",
                remedy=f"Give a cylinder number from 1 to {self.cylinders}.",
            )

    def bank_of(self, cylinder: int) -> int:
        """Return the place in `banks` of the bank that `cylinder` stands on, from 0."""
        self.require(cylinder)
        return next(i for i, bank in enumerate(self.banks) if cylinder in bank)

    def neighbours(self, cylinder: int) -> tuple[int, ...]:
        """Return the cylinders beside `cylinder` under the same head, front one first."""
        bank = self.banks[self.bank_of(cylinder)]
        place = bank.index(cylinder)
        return bank[max(place - 1, 0) : place] + bank[place + 1 : place + 2]

    def neighbour_pairs(self) -> tuple[tuple[int, int], ...]:
        """Return all pairs that stand side by side under one head, bank by bank."""
        return tuple(pair for bank in self.banks for pair in itertools.pairwise(bank))

    def whole_bank(self, cylinders: Collection[int]) -> int | None:
        """Return the place in `banks` of the bank that is made of exactly these cylinders.

        None for any other set, and always where there is only one bank.
        """
        if len(self.banks) < 2:
            return None
        return next((i for i, bank in enumerate(self.banks) if set(bank) == set(cylinders)), None)

    def companion(self, cylinder: int) -> int | None:
        """Return the cylinder that fires 360 degrees away, None if there is none.

        Its piston is at the top together with this one, but between exhaust and intake stroke.
        Engines with an odd number of cylinders have no companions, and engines that fire unevenly
        need not have any.
        """
        self.require(cylinder)
        angles = self.tdc_deg
        for other, angle in angles.items():
            apart = (angle - angles[cylinder]) % CYCLE_DEG
            if abs(apart - CYCLE_DEG / 2) <= COMPANION_TOLERANCE_DEG:
                return other
        return None


def engine_layout(  # noqa: PLR0913  # one argument per field of the layout, all but one by name
    cylinders: int,
    *,
    firing_order: Sequence[int] | None = None,
    arrangement: Arrangement = "inline",
    banks: Sequence[Sequence[int]] = (),
    bore_mm: float | None = None,
    cooling: Cooling = "liquid",
    fuel: Fuel = "petrol",
    tailpipes: int = 1,
    label: str = "",
    firing_intervals_deg: Sequence[float] = (),
    strokes: int = 4,
) -> EngineLayout:
    """Return a checked layout, with the usual firing order where none is given.

    Parameters
    ----------
    cylinders : int
        Number of cylinders, 1-16.
    firing_order : sequence of int, optional
        The maker's order; `DEFAULT_FIRING_ORDERS` if left out.
    banks : sequence of sequences of int, optional
        Cylinder numbers of each bank, front to back; needed for a vee or flat engine.
    bore_mm : float, optional
        Cylinder bore [mm].
    firing_intervals_deg : sequence of float, optional
        Crank rotation from each firing to the next, in firing order, the last one back to the
        first [degrees]; evenly firing if left out.
    strokes : int
        Strokes of one working cycle; only four-stroke engines are covered.

    Raises
    ------
    LayoutError
        If no such engine can exist, is not covered, or has no usual firing order.
    """
    check_covered(arrangement, strokes)
    _check_count(cylinders)
    order = default_firing_order(cylinders, arrangement) if firing_order is None else firing_order
    return EngineLayout(
        cylinders=cylinders,
        firing_order=tuple(order),
        arrangement=arrangement,
        banks=tuple(tuple(bank) for bank in banks),
        bore_mm=bore_mm,
        cooling=cooling,
        fuel=fuel,
        tailpipes=tailpipes,
        label=label,
        firing_intervals_deg=tuple(firing_intervals_deg),
    )


def default_firing_order(cylinders: int, arrangement: Arrangement = "inline") -> tuple[int, ...]:
    """Return the usual firing order of such an engine, from `DEFAULT_FIRING_ORDERS`.

    Raises
    ------
    LayoutError
        If there is no usual one, so that the maker's must be given.
    """
    _check_count(cylinders)
    order = DEFAULT_FIRING_ORDERS.get((arrangement, cylinders))
    if order is None:
        raise LayoutError(
            f"no firing order was given, and {cylinders} cylinders ({arrangement}) have no "
            "usual one",
            remedy="Give the firing order from the maker's data.",
        )
    return order


def _is_whole(value: object) -> bool:
    """Tell a whole number from True, 4.0 and "4"."""
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value: object) -> bool:
    """Tell a finite number from True, "90" and NaN."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and math.isfinite(float(str(value)))


def _check_count(cylinders: object) -> None:
    if not _is_whole(cylinders) or not 1 <= int(str(cylinders)) <= MOST_CYLINDERS:
        raise LayoutError(
            f"cylinders = {cylinders!r} is not a whole number from 1 to {MOST_CYLINDERS}",
            remedy="Give the number of cylinders of the engine under test.",
        )


def _check_choices(layout: EngineLayout) -> None:
    """Check the fields that take one of a few words or numbers."""
    check_covered(layout.arrangement)
    for name, value, allowed in (
        ("arrangement", layout.arrangement, get_args(Arrangement)),
        ("cooling", layout.cooling, get_args(Cooling)),
        ("fuel", layout.fuel, get_args(Fuel)),
    ):
        if not isinstance(value, str) or value not in allowed:
            raise LayoutError(
                f"{name} = {value!r} is not known", remedy=f"Use one of: {', '.join(allowed)}."
            )
    if not _is_whole(layout.tailpipes) or layout.tailpipes not in (1, 2):
        raise LayoutError(
            f"tailpipes = {layout.tailpipes!r} is neither 1 nor 2",
            remedy="Count the separate exhaust outlets: 1 or 2.",
        )
    if not isinstance(layout.label, str):
        raise LayoutError(f"label = {layout.label!r} is not text", remedy='Write label = "…".')


def _checked_order(order: object, cylinders: int) -> tuple[int, ...]:
    """Return the firing order as a tuple if it names every cylinder once."""
    numbers = tuple(order) if isinstance(order, tuple | list) else None
    if numbers is None or not all(map(_is_whole, numbers)):
        raise LayoutError(
            f"firing order {order!r} is not a list of whole numbers",
            remedy=f"Write the cylinder numbers 1 to {cylinders} in the order they fire.",
        )
    fault = _numbering_fault(numbers, cylinders)
    if fault:
        raise LayoutError(
            f"firing order {_dashed(numbers)} {fault}; it must name each of the "
            f"{cylinders} cylinders once"
        )
    return numbers


def _checked_banks(layout: EngineLayout) -> tuple[tuple[int, ...], ...]:
    """Return the banks as tuples if every cylinder stands on exactly one."""
    if layout.banks == () and layout.arrangement == "inline":
        return (tuple(range(1, layout.cylinders + 1)),)
    wanted = 1 if layout.arrangement == "inline" else 2
    remedy = (
        f"Write the cylinder numbers of {'the bank' if wanted == 1 else 'each of the two banks'} "
        "from front to back, as the maker numbers them."
    )
    banks = _as_banks(layout.banks)
    if banks is None or len(banks) != wanted:
        raise LayoutError(
            f"banks = {layout.banks!r} does not give the {wanted} bank"
            f"{'s' if wanted > 1 else ''} of this {layout.arrangement} engine",
            remedy=remedy,
        )
    fault = _numbering_fault([n for bank in banks for n in bank], layout.cylinders)
    if fault:
        written = " and ".join(_dashed(bank) for bank in banks)
        raise LayoutError(
            f"banks {written}: the list {fault}; every cylinder must stand on one bank",
            remedy=remedy,
        )
    return banks


def _checked_intervals(intervals: object, cylinders: int) -> tuple[float, ...]:
    """Return the firing intervals as a tuple, () if they are all alike."""
    given = tuple(intervals) if isinstance(intervals, tuple | list) else None
    if given is None or not all(map(_is_number, given)):
        raise LayoutError(
            f"firing intervals {intervals!r} are not a list of angles",
            remedy="Write the degrees from each firing to the next, for example 315, 405.",
        )
    fault = _interval_fault(given, cylinders)
    if fault:
        raise LayoutError(
            f"firing intervals {_dashed(given)} {fault}",
            remedy="Give one angle for each cylinder in firing order, the last one back to the "
            f"first; together they are {CYCLE_DEG:g} degrees.",
        )
    even = all(math.isclose(angle, given[0], abs_tol=1e-6) for angle in given)
    return () if even else given


def _interval_fault(given: Sequence[float], cylinders: int) -> str | None:
    """Say what keeps these from being the intervals of one working cycle."""
    if not given:
        return None
    if len(given) != cylinders:
        return f"are {len(given)}, not {cylinders}"
    if min(given) < LEAST_INTERVAL_DEG and cylinders > 1:
        return f"hold one below {LEAST_INTERVAL_DEG:g} degrees"
    if abs(math.fsum(given) - CYCLE_DEG) > SUM_TOLERANCE_DEG:
        return f"add up to {math.fsum(given):g}"
    return None


def _as_banks(banks: object) -> tuple[tuple[int, ...], ...] | None:
    """Return nested tuples of whole numbers, None for anything else."""
    if not isinstance(banks, tuple | list):
        return None
    rows = [tuple(bank) if isinstance(bank, tuple | list) else () for bank in banks]
    if not all(row and all(map(_is_whole, row)) for row in rows):
        return None
    return tuple(rows)


def _numbering_fault(numbers: Sequence[int], cylinders: int) -> str | None:
    """Say what keeps `numbers` from naming 1 … `cylinders` once each, None if nothing does."""
    strange = [n for n in numbers if not 1 <= n <= cylinders]
    if strange:
        return f"names cylinder {strange[0]}, which this engine does not have"
    twice = [n for n in numbers if numbers.count(n) > 1]
    if twice:
        return f"names cylinder {twice[0]} more than once"
    missing = [n for n in range(1, cylinders + 1) if n not in numbers]
    return f"leaves out cylinder {missing[0]}" if missing else None


def _check_bore(bore_mm: object) -> None:
    low, high = BORE_RANGE_MM
    if bore_mm is None:
        return
    if not _is_number(bore_mm) or not low <= float(str(bore_mm)) <= high:
        raise LayoutError(
            f"bore_mm = {bore_mm!r} is not a bore between {low:g} and {high:g} mm",
            remedy="Give the bore in millimetres (1 inch is 25.4 mm), or leave it out.",
        )


def _dashed(numbers: Sequence[float]) -> str:
    return "-".join(f"{n:g}" for n in numbers)
