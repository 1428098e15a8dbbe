"""The page in a real browser, beside a real service: what it shows, and that every button works."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fetching import fetched
from stage import OFF, ON, PATIENCE_S, TUG_ON, Page, Stage, paged, until

SIZES = {"phone": (390, 844), "desk": (1280, 800)}
AXE = "axe-core@4.10.3"
"""The rules of WCAG 2.2 that a program can check, by people who wrote none of this page."""


@pytest.fixture(scope="module")
def tab(browser: Any) -> Iterator[Any]:
    """A tab for all tests: to make one takes longer than most of them."""
    context = browser.new_context()
    context.set_default_timeout(PATIENCE_S * 1000)
    found = context.new_page()
    found.complaints, found.asked = [], []
    found.on("console", lambda line: line.type == "error" and found.complaints.append(line.text))
    found.on("pageerror", lambda error: found.complaints.append(str(error)))
    found.on("request", lambda asked: found.asked.append(asked.url))
    yield found
    context.close()


@pytest.fixture(params=["phone"])
def view(tab: Any, page: Page, request: pytest.FixtureRequest) -> Iterator[Any]:
    """The page, just opened; it must neither complain nor ask for anything elsewhere."""
    width, height = SIZES[request.param]
    tab.set_viewport_size({"width": width, "height": height})
    tab.goto(page.url)
    tab.wait_for_selector('[data-line="open"]')
    tab.wait_for_selector(".output")
    yield tab
    assert [line for line in tab.complaints if "ERR_" not in line] == []
    assert tab.asked and [url for url in tab.asked if not url.startswith(page.url)] == []
    tab.complaints.clear()
    tab.asked.clear()


def shows(view: Any, selector: str, words: str) -> None:
    """Wait until an element says this."""
    view.wait_for_function(
        "([at, words]) => document.querySelector(at)?.textContent.includes(words)",
        arg=[selector, words],
    )


def card(name: str) -> str:
    return f'.output[data-key="{name}"]'


# ---- what it shows -------------------------------------------------------------------------------


def test_ports_notes_and_controls_away_from_home(view: Any, stage: Stage) -> None:
    assert view.title() == "harbour"
    shows(view, card("tug"), "open")
    shows(view, card("tug"), f"serial:{stage.folder}/tug")
    shows(view, card("gull"), "silent")
    stage.pier.send("FA", "F8", "F8", ON, "B0 4A 7F")
    shows(view, card("tug") + " .notes", "C4 on 5")
    shows(view, card("gull") + " .notes", "C4 on 1")
    shows(view, card("tug") + " .away", "cutoff127home 64")
    shows(view, "#playing", "playing")
    shows(view, "#bar", "1")
    stage.pier.send(OFF, "B0 4A 40", "FC")
    shows(view, card("tug") + " .notes", "silent")
    shows(view, "#playing", "stopped")
    view.wait_for_function(
        "at => !document.querySelector(at).children.length", arg=card("tug") + " .away"
    )


def test_a_note_that_is_over_before_anybody_looked_is_seen_all_the_same(
    view: Any, stage: Stage
) -> None:
    view.evaluate(
        """at => {
            const notes = document.querySelector(at), all = {subtree: true, childList: true};
            window.seen = false;
            new MutationObserver(() => { window.seen ||= notes.textContent.includes("●") })
                .observe(notes, {...all, characterData: true}) }""",
        card("gull") + " .notes",
    )

    def strike() -> Any:
        stage.pier.send(ON, OFF)
        view.wait_for_timeout(60)
        return view.evaluate("window.seen")

    until(strike)
    shows(view, card("gull") + " .notes", "silent")


def test_the_wire_has_a_load_and_one_that_is_not_paced_has_none(view: Any) -> None:
    shows(view, card("tug") + " .wire", "wire ")
    assert view.locator(card("gull") + " .wire").is_hidden()


# ---- the buttons ---------------------------------------------------------------------------------


def test_panic_is_large_and_takes_one_press(view: Any, stage: Stage) -> None:
    stage.pier.send(ON)
    until(lambda: stage.tug.heard(TUG_ON))
    since = stage.tug.now
    button = view.get_by_role("button", name="Panic")
    box = button.bounding_box()
    assert box["height"] >= 72 and box["width"] >= 300
    button.click()
    until(lambda: stage.tug.heard("84 3C 40", since))
    until(lambda: stage.tug.heard("B4 78 00", since))  # All Sound Off on its channel
    shows(view, "#said", "Everything is silenced.")
    stage.pier.send(OFF)


def test_songs(view: Any, stage: Stage) -> None:
    view.get_by_role("button", name="storm").click()
    shows(view, "#rig", "storm")
    shows(view, "#said", "Song storm: now.")
    assert view.locator('[aria-current="true"]').inner_text().endswith("storm")
    view.get_by_role("button", name="The rig itself").click()
    shows(view, "#rig", "harbour")


def test_bypass_leaves_an_entry_out_and_puts_it_in_again(view: Any, stage: Stage) -> None:
    button = view.get_by_role("button", name="Bypass channel_remap of tug")
    assert button.get_attribute("aria-pressed") == "false"
    button.click()
    shows(view, "#said", "tug: channel_remap is bypassed.")
    view.wait_for_selector('.entry[aria-pressed="true"]')
    since = stage.tug.now
    stage.pier.send(ON, OFF)
    until(lambda: stage.tug.heard(ON, since) and stage.tug.heard(OFF, since))
    button.click()
    shows(view, "#said", "tug: channel_remap is in the chain again.")
    view.wait_for_selector('.entry[aria-pressed="true"]', state="detached")
    stage.plays_on()


def test_reload_takes_up_a_changed_rig_and_says_what_is_wrong_with_a_faulty_one(
    view: Any, stage: Stage
) -> None:
    button = view.get_by_role("button", name="Reload the rig")
    stage.write(channel=7)
    button.click()
    shows(view, "#said", "Reloaded: harbour.")
    since = stage.tug.now
    stage.pier.send(ON, OFF)
    until(lambda: stage.tug.heard("96 3C 64", since))
    stage.write(channel=17)
    button.click()
    shows(view, "#said", "harbour.yaml:10:")
    shows(view, "#said", "the running one plays on")
    shows(view, "#errors", "the rig has 1 fault; the running one plays on")
    stage.write()
    button.click()
    shows(view, "#said", "Reloaded: harbour.")
    stage.plays_on()


def test_everything_can_be_done_with_the_keyboard(view: Any, stage: Stage) -> None:
    """Tab reaches every button in the order of the page, and the focus can be seen."""
    buttons = view.locator("button:visible").count()
    reached = []
    for _ in range(buttons):
        view.keyboard.press("Tab")
        name, outline = view.evaluate(
            "(e => [e.textContent, getComputedStyle(e).outlineWidth])(document.activeElement)"
        )
        reached.append(name)
        assert outline == "3px"
    assert reached[-1] == "Panic" and len(set(reached)) == buttons
    since = stage.tug.now
    view.keyboard.press("Enter")
    until(lambda: stage.tug.heard("B4 78 00", since))


def test_the_focus_stays_where_it_was_while_things_change(view: Any, stage: Stage) -> None:
    button = view.get_by_role("button", name="Bypass one voice of tug")
    button.focus()
    view.keyboard.press("Space")
    view.wait_for_selector('.entry[aria-pressed="true"]')
    stage.pier.send(ON, OFF)
    assert "one voice" in view.evaluate("document.activeElement.textContent")
    view.keyboard.press("Space")
    view.wait_for_selector('.entry[aria-pressed="true"]', state="detached")


# ---- lost and found ------------------------------------------------------------------------------


def test_it_says_that_the_service_is_lost_and_recovers(view: Any, stage: Stage) -> None:
    assert stage.service.end() == 0
    view.wait_for_selector('[data-line="lost"]')
    shows(view, "#alarm", "The service is lost. What you see is old.")
    shows(view, "#errors", "no service answers")
    view.get_by_role("button", name="Panic").click()
    shows(view, "#said", "no service answers")
    stage.start()
    view.wait_for_selector('[data-line="open"]')
    assert view.locator("#alarm").inner_text() == ""
    stage.pier.send(ON)
    shows(view, card("tug") + " .notes", "C4 on 5")
    stage.pier.send(OFF)


def test_after_a_kill_too(view: Any, stage: Stage) -> None:
    stage.service.end(signal.SIGKILL)
    view.wait_for_selector('[data-line="lost"]')
    stage.start()
    view.wait_for_selector('[data-line="open"]')
    stage.plays_on()


def test_a_service_that_hangs_is_no_live_one(view: Any, stage: Stage) -> None:
    os.kill(stage.service.pid, signal.SIGSTOP)
    try:
        view.wait_for_selector('[data-line="lost"]')
        shows(view, "#why", "it does not answer")
    finally:
        os.kill(stage.service.pid, signal.SIGCONT)
    view.wait_for_selector('[data-line="open"]')


# ---- for everybody -------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def axe() -> str:
    folder = fetched(AXE, ["npm", "install", "--no-audit", "--no-fund", "--prefix", ".", AXE])
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text("utf-8")


def faults(view: Any, axe: str) -> list[Any]:
    """What the rules find; the policy of the page lets no script in, this way is the debugger's."""
    found = view.evaluate(
        f"{axe}; axe.run(document, {{runOnly: ['wcag2a', 'wcag2aa', 'wcag21aa', 'wcag22aa', "
        "'wcag2aaa', 'best-practice']})"
    )
    assert len(found["passes"]) > 15
    return [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found["violations"]]


def test_the_token_is_typed_once(browser: Any, stage: Stage, axe: str) -> None:
    token = stage.folder / "token"
    with paged(stage, "--listen", "127.0.0.1:0", "--token-file", token) as page:
        context = browser.new_context()
        tab = context.new_page()
        tab.goto(page.url)
        tab.wait_for_selector("#token-text:focus")
        assert not tab.locator("#panic").is_visible()
        assert faults(tab, axe) == []
        tab.keyboard.type("not this one at all")
        tab.keyboard.press("Enter")
        shows(tab, "#token-said", "that is not the token")
        tab.get_by_role("textbox", name="Token").fill(token.read_text())
        tab.get_by_role("button", name="Open the page").click()
        tab.wait_for_selector(".output")
        assert tab.evaluate("document.cookie") == ""  # no script can read it
        again = context.new_page()
        again.goto(page.url)
        again.wait_for_selector(".output")
        context.close()


@pytest.mark.parametrize("view", SIZES, indirect=True)
def test_axe_finds_nothing(view: Any, stage: Stage, axe: str) -> None:
    """With notes, a control away, a bypassed entry and an error on the page, as in its banner."""
    stage.pier.send("B0 4A 7F", ON)
    view.get_by_role("button", name="Bypass one voice of tug").click()
    view.wait_for_selector('.entry[aria-pressed="true"]')
    shows(view, card("tug") + " .notes", "C4")
    assert faults(view, axe) == []
    view.get_by_role("button", name="Bypass one voice of tug").click()
    stage.pier.send(OFF, "B0 4A 40")


def test_nothing_moves_for_who_wants_it_so(browser: Any, page: Page) -> None:
    context = browser.new_context(reduced_motion="reduce")
    tab = context.new_page()
    tab.goto(page.url)
    tab.wait_for_selector(".meter span", state="attached")
    moves = tab.evaluate(
        "getComputedStyle(document.querySelector('.meter span')).transitionDuration"
    )
    assert float(moves.removesuffix("s")) == 0
    context.close()


def test_what_chatters_is_no_live_region(view: Any) -> None:
    """Only what a person has asked for, and the loss of the service, is read out by itself."""
    live = view.evaluate(
        "[...document.querySelectorAll('[role=alert], [role=status], [aria-live]')].map(e => e.id)"
    )
    assert live == ["alarm", "token-said", "said"]


def test_the_page_fits_at_twice_the_size_of_letters(browser: Any, page: Page) -> None:
    """WCAG 1.4.10, Reflow: 320 CSS pixels wide, nothing scrolls sideways."""
    context = browser.new_context(viewport={"width": 320, "height": 640})
    tab = context.new_page()
    tab.goto(page.url)
    tab.wait_for_selector(".output")
    wide, room = tab.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    assert wide <= room
    context.close()


def test_four_pages_share_one_line_to_the_service(
    browser: Any, tab: Any, page: Page, stage: Stage
) -> None:
    """And none is kept when no page is open."""
    tab.goto("about:blank")
    until(lambda: lines_to(stage.socket) == 0)
    context = browser.new_context()
    tabs = [context.new_page() for _ in range(4)]
    for tab in tabs:
        tab.goto(page.url)
        tab.wait_for_selector(".output")
    assert lines_to(stage.socket) == 1
    context.close()
    until(lambda: lines_to(stage.socket) == 0)


def lines_to(socket: Path) -> int:
    """Connections that are taken at a Unix socket: state 03 in /proc/net/unix (proc(5))."""
    lines = Path("/proc/net/unix").read_text().splitlines()
    return sum(1 for line in lines if re.search(rf" 03 +\d+ {re.escape(str(socket))}$", line))
