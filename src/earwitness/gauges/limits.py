"""Show which leakage limits there are, which one applies, and where each comes from."""

from __future__ import annotations

from dataclasses import dataclass

from earwitness.gauges.leakage import (
    PUBLISHED_LIMITS,
    LeakageLimit,
    LimitRule,
    leakage_limit,
)


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit of the table."""

    name: str
    percent: float | None
    """[%]; None for one that nobody gave."""
    origin: str
    applies: bool


def limit_table(
    *,
    maker_percent: float | None = None,
    sheet_percent: float | None = None,
    sheet_origin: str = "run sheet",
    rule: LimitRule = "common-practice",
) -> tuple[LimitRow, ...]:
    """Return all limits, the one that wins over the others first, and mark the one that applies.

    Parameters are those of `leakage_limit`.

    Examples
    --------
    >>> [row.name for row in limit_table(rule="ac-43.13-1b") if row.applies]
    ['ac-43.13-1b']
    """
    rows: list[tuple[str, float | None, str]] = [
        ("maker", maker_percent, "the maker's limit"),
        ("shop", sheet_percent, sheet_origin),
        *((name, limit.leakage_percent, limit.origin) for name, limit in PUBLISHED_LIMITS.items()),
    ]
    chosen = leakage_limit(
        maker_percent=maker_percent,
        sheet_percent=sheet_percent,
        sheet_origin=sheet_origin,
        rule=rule,
    )
    applies = next(name for name, percent, origin in rows if _is(chosen, percent, origin))
    return tuple(LimitRow(name, percent, origin, name == applies) for name, percent, origin in rows)


def _is(chosen: LeakageLimit, percent: float | None, origin: str) -> bool:
    return percent is not None and chosen == LeakageLimit(percent, origin)
