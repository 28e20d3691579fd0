"""A whole live inspection with nothing but the bay page: every press in a browser, real streams."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from chromium import chromium
from earwitness import display
from earwitness.record.model import inspection
from earwitness.record.reader import read_record
from earwitness.session.equipment.ears import Equipment, Input
from earwitness.session.live.inspection import LivePlan
from earwitness.session.live.keeping import Keeper
from earwitness.session.live.shown import headline
from earwitness.session.messages.catalogue import english
from earwitness.session.runner import live_inspection
from earwitness.session.sheets.sheet import Visit
from earwitness.session.snapshot import Board, PlanStep
from live_operator import Operator
from sound_server import FALTERS_NOT_MS, FS, sound_server

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]

VISIT = Visit.model_validate({"engine": {"cylinders": 1, "cooling": "air"}})
PLACES = (PlanStep(1, "gauge", "to-do"), PlanStep(1, "tailpipe", "to-do"))
WATCH = """() => {
  window.phases = [document.body.dataset.phase];
  new MutationObserver(() => window.phases.push(document.body.dataset.phase)).observe(
    document.body, { attributes: true, attributeFilter: ['data-phase'] });
}"""


def clock() -> datetime:
    return datetime.now(UTC)  # noqa: TID251  # a live test runs in real time


def press(page: Any, name: str) -> None:
    with page.expect_response("**/press") as answer:
        page.get_by_role("button", name=name, exact=False).first.click(timeout=60_000)
    assert answer.value.status == 202


def test_an_inspection_is_made_with_the_page_alone(tmp_path: Path) -> None:
    board, rng = Board(), np.random.default_rng(9)
    folder = tmp_path / "record"
    (tmp_path / "pulse").mkdir()
    with sound_server(tmp_path / "pulse") as server:
        noise = 1e-3 * rng.standard_normal(150 * FS)
        server.play(noise, "shop", latency_ms=FALTERS_NOT_MS)
        live = live_inspection(
            LivePlan(VISIT.engine.layout(), PLACES, 690.0, cycles=5, stays_s=(1.3, 1.6)),
            Keeper.create(folder, VISIT, clock=clock),
            board,
            rng=rng,
            equipment=Equipment(Input("probe"), None, None, "loudspeaker", "off"),
        )
        Operator(server, board, live, 2e-3 * rng.standard_normal(3 * FS), []).start()
        runner = threading.Thread(target=live.run, daemon=True)
        runner.start()
        with display.serve(board, live.post) as served:
            try:
                last_line = in_a_browser(served.url)
                runner.join(timeout=20)
            finally:
                live.interrupt()
    told = inspection(read_record(folder))
    assert [(r.quantity, r.value, r.unit, r.origin) for r in told.readings] == [
        ("leakage", "42", "percent", "typed")
    ]
    take = told.takes[-1]
    assert take.finding is not None
    assert take.finding.p_value is not None
    assert take.finding.p_value <= 0.05  # a busy machine opens the valve late
    assert told.closed
    assert live.verdict is not None
    assert last_line == headline(live.verdict, english())[0]


def in_a_browser(url: str) -> str:
    """Make the inspection in a browser; return the page's last line."""
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(url)
        page.evaluate(WATCH)
        return lead_through(page)


def lead_through(page: Any) -> str:
    """Press what the page offers, as it asks; return its last line."""
    page.wait_for_selector('body[data-phase="cautions"]')
    assert page.locator("#cautions li").count() >= 8
    press(page, "Understood")
    page.wait_for_selector('body[data-phase="gauge"]')
    for key in ("4", "2"):
        page.get_by_role("button", name=key, exact=True).click()
    press(page, "Enter")
    page.wait_for_selector('body[data-phase="read-back"]')
    assert "42" in page.inner_text("#detail") or "forty two" in page.inner_text("#said")
    press(page, "Yes, store")
    page.wait_for_selector('body[data-phase="gauge"]')
    press(page, "Next")
    page.wait_for_selector('body[data-phase="move"]')
    assert page.inner_text("#instruction") == "Probe to the tailpipe"
    press(page, "Start")
    page.wait_for_selector('body[data-phase="air-on"]', timeout=60_000)
    page.wait_for_selector('body[data-phase="move"]', timeout=60_000)
    assert "✓ tailpipe: " in page.inner_text("#steps"), page.inner_text("#bay")
    phases = page.evaluate("window.phases")
    assert phases.count("air-on") >= 5
    assert phases.count("air-off") >= 5
    press(page, "End")
    page.wait_for_selector('body[data-phase="done"]', timeout=30_000)
    assert "%" in page.inner_text("#verdict")
    return str(page.inner_text("#instruction"))
