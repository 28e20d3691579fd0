"""The bay page in a real browser, through every moment of an inspection."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from chromium import LEAST_CONTRAST, attentive_page, chromium
from earwitness import display
from earwitness.engine import test_plan as plans
from earwitness.engine.layout import engine_layout
from earwitness.session.live import steps
from earwitness.session.live.shown import View, shown
from earwitness.session.messages.catalogue import MESSAGES_FILE, load_catalogue
from earwitness.session.snapshot import (
    WITH_VALUE,
    Board,
    Candidate,
    Column,
    Engine,
    Press,
    Snapshot,
)
from invented_words import LEFT, RIGHT, as_toml, invented
from scripted_inspection import VERDICT, inspection

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MOMENTS = inspection()
SIZES = ((1280, 800), (800, 1280))
PX_PER_MM = 96 / 25.4
"""CSS Values and Units Level 4, 6.2: 96 px are one inch."""
CAPITAL_PX = """
id => {
  const style = getComputedStyle(document.getElementById(id));
  const pen = document.createElement('canvas').getContext('2d');
  pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
  return pen.measureText('H').actualBoundingBoxAscent;
}
"""
CUT = """
() => [...document.querySelectorAll('section, dd')].filter(e => e.checkVisibility() &&
  (e.scrollHeight > e.clientHeight + 1 || e.scrollWidth > e.clientWidth + 1)).map(e => e.id)
"""
TEXTS = """
() => [...document.querySelectorAll('body *')].filter(e => e.checkVisibility() &&
  !e.matches('kbd') && [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
  .map(e => [...e.childNodes].filter(n => n.nodeType === 3).map(n => n.textContent).join(''))
"""
HIDDEN_BUTTONS = """
() => [...document.querySelectorAll('#buttons button')].filter(b => {
  const r = b.getBoundingClientRect();
  return r.top < 0 || r.left < 0 || r.bottom > innerHeight + .5 || r.right > innerWidth + .5;
}).map(b => b.id)
"""


def buttons_of(moment: Snapshot) -> list[str]:
    """What there should be a button for: one to begin a take, and one to go elsewhere."""
    asked = [a for a in moment.actions if a not in WITH_VALUE]
    if "start" in asked:
        asked.remove("next")
    elsewhere = moment.points and moment.phase != "set-up"
    return [
        *asked,
        *(["choose"] if elsewhere else []),
        *(["cautions"] if moment.brief_cautions else []),
    ]


def of_an_engine() -> dict[str, Snapshot]:
    """What a live inspection shows at each place of an engine with two banks and tailpipes."""
    layout = engine_layout(
        8, firing_order=(1, 8, 4, 3, 6, 5, 7, 2), arrangement="vee",
        banks=((1, 3, 5, 7), (2, 4, 6, 8)), tailpipes=2,
    )  # fmt: skip
    begun, _ = steps.begin(layout, steps.places_of(plans.test_plan(layout)))
    view = View(Engine("", layout.banks, layout.arrangement))
    view.heard, view.said = (
        "leakage forty two percent",
        "cylinder one, leakage forty two percent, correct?",
    )
    found = {}
    for at, place in enumerate(p for p in begun.places if p.cylinder == begun.cylinder):
        for phase in ("gauge",) if place.point == steps.GAUGE else ("move", "air-on"):
            told = shown(replace(begun, at=at, phase=phase, understood=True), view, None)
            found[f"{place.point} {phase}"] = replace(told, meter=MOMENTS["air-on"].meter)
    warning = ("The probe refused 96000 Hz and records at 48000 Hz.",)
    warned = {f"{n}, warned": replace(s, warnings=warning) for n, s in found.items() if "move" in n}
    return {**found, **warned}


def of_leaks(count: int) -> Snapshot:
    """The end of an inspection of four cylinders, of which so many leak."""
    check = (
        "Find top dead centre of the compression stroke again and read anew; it would settle it."
    )
    worst = replace(VERDICT, next_check=check)
    rows = [
        replace(worst, cylinder=n) if n <= count
        else replace(worst, cylinder=n, text="a sound cylinder", sound=True)
        for n in (1, 2, 3, 4)
    ]  # fmt: skip
    return replace(MOMENTS["done"], instruction=f"{count} cylinders leak", verdicts=tuple(rows))


class Bay:
    """A served page in a browser, and what was asked on it."""

    def __init__(self, page: Any, board: Board, taken: list[Press]) -> None:
        self.page, self.board, self.taken = page, board, taken

    def show(self, snapshot: Snapshot) -> None:
        number = self.board.publish(snapshot)
        self.page.wait_for_function("n => document.body.dataset.number >= n", arg=number)

    def text(self, selector: str) -> str:
        return str(self.page.locator(selector).inner_text())


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def bay(browser: Any) -> Iterator[Bay]:
    board, taken = Board(), []
    with display.serve(board, taken.append) as served:
        page = attentive_page(browser, 1280, 800)
        page.goto(served.url)
        yield Bay(page, board, taken)
        page.close()
        assert page.said == []
        assert all(url.startswith(served.url.partition("#")[0]) for url in page.asked)


@pytest.mark.slow
def test_a_whole_inspection_is_told(bay: Bay) -> None:
    for name, moment in MOMENTS.items():
        bay.show(moment)
        assert bay.page.get_attribute("body", "data-phase") == moment.phase, name
        for text in (moment.detail, moment.said, *moment.warnings, *moment.cautions):
            assert text in bay.text("main"), name
        shown = [b.get_attribute("id") for b in bay.page.locator("#buttons button").all()]
        assert shown == [f"press-{a}" for a in buttons_of(moment)], name


@pytest.mark.slow
@pytest.mark.parametrize("size", SIZES)
def test_it_is_read_from_across_the_shop(bay: Bay, size: tuple[int, int]) -> None:
    """Twenty minutes of arc at 3 m are 17.5 mm (ISO 9241-303 recommends 20 to 22, from memory).

    WCAG 2.2, 1.4.6: AAA contrast is 7 to 1. Buttons of 20 mm and more for a gloved finger: common
    practice, no source.
    """
    bay.page.set_viewport_size({"width": size[0], "height": size[1]})
    for name, moment in MOMENTS.items():
        bay.show(moment)
        assert bay.page.evaluate(CAPITAL_PX, "instruction") >= 17.5 * PX_PER_MM, name
        assert bay.page.evaluate(LEAST_CONTRAST, "body *") >= 7, name
        assert bay.page.evaluate("document.documentElement.scrollWidth") <= size[0], name
        assert bay.page.evaluate(HIDDEN_BUTTONS) == [], name
        sides = bay.page.locator("#bay button:visible").evaluate_all(
            "all => all.map(b => Math.min(b.offsetWidth, b.offsetHeight))"
        )
        assert min(sides) >= 20 * PX_PER_MM, name
    bay.page.set_viewport_size({"width": 1280, "height": 800})


@pytest.mark.slow
def test_it_fits_a_telephone(bay: Bay) -> None:
    """WCAG 2.2, 1.4.10 (from memory): no sideways scrolling at a width of 320 CSS pixels."""
    bay.page.set_viewport_size({"width": 320, "height": 800})
    for name, moment in MOMENTS.items():
        bay.show(moment)
        assert bay.page.evaluate("document.documentElement.scrollWidth") <= 320, name
    bay.page.set_viewport_size({"width": 1280, "height": 800})


@pytest.mark.slow
def test_all_cautions_are_seen_at_once(bay: Bay) -> None:
    bay.show(MOMENTS["cautions"])
    last = bay.page.locator("#cautions li").last.bounding_box()
    buttons = bay.page.locator("#buttons").bounding_box()
    assert last["y"] + last["height"] <= buttons["y"]


@pytest.mark.slow
def test_air_on_is_seen_without_colour(bay: Bay) -> None:
    """The panel turns from ink on paper to paper on ink, and says so."""
    grounds = {}
    for name in ("air-off", "air-on"):
        bay.show(MOMENTS[name])
        style = "getComputedStyle(document.getElementById('now')).backgroundColor"
        grounds[name] = bay.page.evaluate(style)
    assert bay.text("#air") == "Air on"
    assert grounds["air-on"] == "rgb(25, 23, 19)" != grounds["air-off"]


@pytest.mark.slow
def test_the_meter_says_what_it_shows_and_that_it_decides_nothing(bay: Bay) -> None:
    bay.show(MOMENTS["air-on"])
    meter = bay.page.get_by_role("meter", name="Hiss against air off")
    assert meter.get_attribute("aria-valuenow") == "3.90"
    assert meter.get_attribute("aria-valuetext").split(". ") == [
        "So far 3.9 dB louder with the air on",
        "Meter only; the finished take decides",
        "Dotted: the last take could show 0.40 dB",
    ]
    quieter = replace(MOMENTS["air-on"].meter, rise_db=-0.2)
    bay.show(replace(MOMENTS["air-on"], instruction="quieter", meter=quieter))
    assert "So far 0.20 dB quieter with the air on" in bay.text("#sound-words")


@pytest.mark.slow
@pytest.mark.parametrize("size", SIZES)
def test_nothing_is_cut_wherever_the_probe_is(bay: Bay, size: tuple[int, int]) -> None:
    """Nothing need be scrolled, with the widest of the page's typefaces (DejaVu Sans)."""
    bay.page.set_viewport_size({"width": size[0], "height": size[1]})
    ends = {f"{n} leaks": of_leaks(n) for n in (0, 1, 2, 3, 4)}
    for name, moment in {**MOMENTS, **of_an_engine(), **ends}.items():
        bay.show(moment)
        beyond = "[document.documentElement.scrollHeight - innerHeight, innerWidth]"
        assert bay.page.evaluate(beyond) == [0, size[0]], name
        assert bay.page.evaluate(CUT) == [], name
    bay.page.set_viewport_size({"width": 1280, "height": 800})


@pytest.mark.slow
@pytest.mark.parametrize("size", SIZES)
def test_another_place_is_chosen(bay: Bay, size: tuple[int, int]) -> None:
    bay.page.set_viewport_size({"width": size[0], "height": size[1]})
    bay.show(MOMENTS["move"])
    bay.taken.clear()
    bay.page.keyboard.press("Alt+o")
    sides = bay.page.locator("#chooser button").evaluate_all(
        "all => all.map(b => Math.min(b.offsetWidth, b.offsetHeight))"
    )
    assert min(sides) >= 20 * PX_PER_MM
    assert bay.page.evaluate(LEAST_CONTRAST, "body *") >= 7
    here = bay.page.locator("#chooser [aria-current=true]").all_inner_texts()
    assert here == ["3", "▶ tailpipe"]
    with bay.page.expect_response("**/press"):
        bay.page.get_by_role("button", name="4", exact=True).click()
    assert bay.page.is_visible("#chooser")
    bay.show(replace(MOMENTS["move"], cylinder=4, point="oil-filler"))
    bay.page.locator("#points-title", has_text="Place at cylinder 4").wait_for()
    bay.page.get_by_role("button", name="throttle body").focus()
    with bay.page.expect_response("**/press"):
        bay.page.keyboard.press("Enter")
    bay.page.wait_for_selector("#chooser", state="hidden")
    assert bay.taken == [Press("cylinder", "4"), Press("point", "throttle-body")]
    bay.page.set_viewport_size({"width": 1280, "height": 800})


@pytest.mark.slow
def test_the_choice_gives_way_to_a_take(bay: Bay) -> None:
    bay.show(MOMENTS["move"])
    bay.page.get_by_role("button", name="Go to").click()
    assert bay.page.is_visible("#chooser")
    bay.show(MOMENTS["air-on"])
    bay.page.wait_for_selector("#chooser", state="hidden")


@pytest.mark.slow
def test_the_number_of_cylinders_is_pressed(bay: Bay) -> None:
    bay.show(MOMENTS["set-up"])
    bay.taken.clear()
    numbers = bay.page.locator("#count button")
    assert numbers.all_inner_texts() == [str(n) for n in range(1, 17)]
    with bay.page.expect_response("**/press"):
        numbers.get_by_text("8", exact=True).click()
    assert bay.taken == [Press("cylinder", "8")]


@pytest.mark.slow
def test_all_cautions_are_one_press_away(bay: Bay) -> None:
    moment = next(iter(of_an_engine().values()))
    bay.show(moment)
    assert bay.page.locator("#cautions li").all_inner_texts() == list(moment.brief_cautions[:2])
    bay.page.get_by_role("button", name="All cautions").click()
    assert bay.page.locator("#all-cautions li").all_inner_texts() == list(moment.cautions)
    bay.page.keyboard.press("Escape")
    assert not bay.page.is_visible("#all")


@pytest.mark.slow
def test_it_speaks_another_language(browser: Any, tmp_path: Path) -> None:
    """Whatever stands on the page and is no figure stands between the marks of that tongue."""
    (tmp_path / MESSAGES_FILE).write_text(as_toml(invented()), encoding="utf-8")
    words = load_catalogue(tmp_path / MESSAGES_FILE)
    layout = engine_layout(4)
    state, _ = steps.begin(layout, steps.places_of(plans.test_plan(layout)), words=words)
    board, page = Board(), browser.new_page()
    with display.serve(board, lambda _: None, words=words) as served:
        page.goto(served.url)
        for number, phase in enumerate(("cautions", "gauge", "move", "air-on", "paused")):
            told = shown(
                replace(state, at=number, phase=phase), View(Engine("", layout.banks)), None
            )
            Bay(page, board, []).show(replace(told, meter=MOMENTS["air-on"].meter))
            texts = [t for t in page.evaluate(TEXTS) if any(c.isalpha() for c in t)]
            assert len(texts) > 10
            assert [t for t in texts if LEFT not in t and RIGHT not in t] == [], phase
        assert page.evaluate("document.documentElement.lang") == "xx"
        assert page.title() == "«Bay page»"
        page.close()


@pytest.mark.slow
def test_the_spectrogram_runs(bay: Bay) -> None:
    """What is loud is dark, and the newest column stands at the right edge."""
    edge = """() => {
      const c = document.getElementById('spectrogram');
      const copy = new OffscreenCanvas(c.width, c.height);
      const pen = copy.getContext('2d', { willReadFrequently: true });
      pen.drawImage(c, 0, 0);
      return [2, 1].map(back => pen.getImageData(c.width - back, 0, 1, c.height).data[0]);
    }"""
    columns = tuple(Column(10_000 + n, bytes([level]) * 48) for n, level in enumerate((0, 255)))
    bay.show(replace(MOMENTS["air-on"], instruction="columns", spectrogram=columns))
    assert bay.page.evaluate(edge) == [250, 25]
    picture = "document.getElementById('spectrogram').height"
    assert bay.page.evaluate(picture) == 48


@pytest.mark.slow
def test_what_is_pressed_arrives(bay: Bay) -> None:
    bay.show(MOMENTS["read-back"])
    bay.taken.clear()
    with bay.page.expect_response("**/press"):
        bay.page.get_by_role("button", name="Yes, store").click()
    with bay.page.expect_response("**/press"):
        bay.page.keyboard.press("Alt+x")
    bay.page.focus("#press-repeat")
    with bay.page.expect_response("**/press"):
        bay.page.keyboard.press("Enter")
    assert bay.taken == [Press("confirm"), Press("no"), Press("repeat")]


@pytest.mark.slow
def test_a_reading_is_typed_with_a_gloved_finger(bay: Bay) -> None:
    bay.show(MOMENTS["gauge"])
    bay.taken.clear()
    for key in ("3", "4", ".", "5", "Erase", "Erase"):
        bay.page.get_by_role("button", name=key, exact=True).click()
    with bay.page.expect_response("**/press"):
        bay.page.get_by_role("button", name="Enter").click()
    assert bay.taken == [Press("reading", "leakage 34 percent")]


@pytest.mark.slow
def test_hostile_text_stays_text(bay: Bay) -> None:
    nasty = "<img src=x onerror=alert(1)><script>alert(2)</script>\u202e&amp;"
    before = bay.page.locator("img, script").count()
    verdict = replace(VERDICT, text=nasty, ranking=(Candidate(nasty, 0.5),), next_check=nasty)
    engine = MOMENTS["done"].engine
    assert engine is not None
    shown = replace(
        MOMENTS["done"],
        instruction="hostile",
        detail=nasty,
        heard=nasty,
        said=nasty,
        warnings=(nasty,),
        verdicts=(verdict,),
        engine=replace(engine, label=nasty),
    )
    bay.show(shown)
    assert bay.text("#detail") == nasty.replace("\u202e", "")
    assert bay.page.locator("img, script").count() == before


@pytest.mark.slow
def test_a_leak_stands_before_the_sound_cylinders(bay: Bay) -> None:
    fine = replace(VERDICT, cylinder=1, text="a sound cylinder", sound=True)
    bay.show(replace(MOMENTS["done"], instruction="two", verdicts=(fine, VERDICT)))
    told = bay.text("#verdict")
    assert told.index("Cylinder 3: exhaust valve leaks") < told.index("Cylinder 1: a sound")
    assert "Cylinder 1: a sound cylinder, 94 %" in told
    assert bay.page.locator("#verdict li").count() == 4


@pytest.mark.slow
def test_a_lost_program_is_said(browser: Any) -> None:
    board = Board()
    board.publish(MOMENTS["move"])
    with display.serve(board, lambda _: None) as served:
        page = browser.new_page()
        page.goto(served.url)
        page.wait_for_selector("#bay:not([hidden])")
        assert not page.is_visible("#lost")
    page.wait_for_selector("#lost:not([hidden])", timeout=15_000)
    assert "Trust its voice" in page.inner_text("#lost")
    page.close()


@pytest.mark.slow
def test_another_screen_pairs_with_its_code(browser: Any) -> None:
    board = Board()
    board.publish(MOMENTS["move"])
    with display.serve(board, lambda _: None, lan=True) as served:
        page = browser.new_page()
        page.goto(served.url.partition("#")[0])
        page.fill("#code", "0" * 8)
        page.click("#pair-button")
        page.wait_for_function("() => document.getElementById('pairing-told').textContent !== ''")
        page.fill("#code", served.pairing_code or "")
        page.click("#pair-button")
        page.wait_for_function(
            "t => document.getElementById('instruction').textContent === t",
            arg=MOMENTS["move"].instruction,
        )
        page.close()
