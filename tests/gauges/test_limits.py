"""The table of limits: each with its origin, one that applies."""

import pytest

from earwitness.errors import GaugeError
from earwitness.gauges.leakage import PUBLISHED_LIMITS, leakage_limit
from earwitness.gauges.limits import limit_table


@pytest.mark.parametrize(
    ("given", "applies", "percent"),
    [
        ({}, "common-practice", 20),
        ({"rule": "ac-43.13-1b"}, "ac-43.13-1b", 25),
        ({"sheet_percent": 15.0}, "shop", 15),
        ({"sheet_percent": 15.0, "maker_percent": 10.0}, "maker", 10),
        ({"sheet_percent": 20.0}, "shop", 20),
        ({"maker_percent": 25.0, "rule": "ac-43.13-1b"}, "maker", 25),
    ],
)
def test_which_limit_applies(given, applies, percent):
    """25 %: FAA AC 43.13-1B, which gives way to the maker's. 20 %: common practice, no source."""
    rows = limit_table(**given)
    assert [(r.name, r.percent) for r in rows if r.applies] == [(applies, percent)]
    assert leakage_limit(**given).leakage_percent == percent


def test_every_limit_says_where_it_comes_from():
    rows = {row.name: row for row in limit_table()}
    assert list(rows) == ["maker", "shop", "ac-43.13-1b", "common-practice"]
    assert all(row.origin for row in rows.values())
    assert "43.13-1B" in rows["ac-43.13-1b"].origin
    assert rows["common-practice"].origin == "common practice, no source"
    assert rows["maker"].percent is None
    assert {limit.leakage_percent for limit in PUBLISHED_LIMITS.values()} == {20, 25}


def test_a_rule_that_nobody_knows():
    with pytest.raises(GaugeError, match="'gut-feeling' is not known"):
        leakage_limit(rule="gut-feeling")
