"""Times against the examples of RFC 3339, section 5.8."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.record.moment import from_rfc3339, rfc3339


@pytest.mark.parametrize(
    ("text", "epoch_s"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        ("1990-12-31T23:59:60Z", 662688000),  # the leap second; its epoch as `date` counts it
        ("1990-12-31T15:59:60-08:00", 662688000),
    ],
)
def test_examples_of_the_standard(text: str, epoch_s: float) -> None:
    """RFC 3339, section 5.8; epochs seen in a secondary copy, leap seconds from memory."""
    assert from_rfc3339(text).timestamp() == pytest.approx(epoch_s, abs=1e-6)


@pytest.mark.parametrize(
    "text",
    ["", "1985-04-12", "1985-04-12T23:20:50", "1985-13-12T23:20:50Z", "1985-04-12T25:20:50Z",
     "85-04-12T23:20:50Z", "1985-04-12T23:20:50.Z", "1985-04-12T23:20:50Z\n", "yesterday"],
)  # fmt: skip
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"RFC 3339|month|hour"):
        from_rfc3339(text)


def test_a_moment_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        rfc3339(datetime(2026, 3, 4))  # noqa: DTZ001  # that is the point


def test_moments_are_written_in_universal_time() -> None:
    there = timezone(timedelta(hours=-8))
    assert rfc3339(datetime(1996, 12, 19, 16, 39, 57, tzinfo=there)) == (
        "1996-12-20T00:39:57.000000Z"
    )


@given(st.datetimes(timezones=st.just(UTC)))
def test_every_moment_comes_back(moment: datetime) -> None:
    assert from_rfc3339(rfc3339(moment)) == moment
