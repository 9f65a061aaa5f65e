"""The review page in real browsers: it is heard, answered, and kept, by mouse, thumb and key.

Every test runs in two engines: Chromium (Debian's `chromium` and `chromium-driver`, or the same
programs under their usual names, and the package `selenium`) and Firefox (Debian's `firefox-esr`).
Without one of them its tests skip and say so. Nothing is sent anywhere: both are kept offline.
"""

import base64
import contextlib
import io
import json
import os
import re
import shutil
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import librosa
import numpy as np
import pytest
import soundfile
from firefox import Firefox
from invented_plan import FACTS, OFFENDER, QUESTION, RULE, judged, plan, row

from planner.answer.page_export import read_export
from planner.answer.replies import placed
from planner.model import Measurement
from planner.page import review_page
from planner.review.page_lines import page_lines
from planner.review.page_sound import Excerpt, excerpt, spans_to_play
from planner.timeline import tempo_map_from_marks
from planner.words.plan_model import Plan
from planner.words.session_model import TempoMark
from planner.write.provenance import plan_id

for _package in ("selenium", "websocket"):
    pytest.importorskip(_package, reason=f"{_package} is not installed: pip install -e '.[test]'")
FIREFOX = next((p for n in ("firefox-esr", "firefox") if (p := shutil.which(n))), None)
CHROMIUM = next((p for n in ("chromium", "google-chrome") if (p := shutil.which(n))), None)
DRIVER = shutil.which("chromedriver")
pytestmark = pytest.mark.outside
REFUSED = (
    "window.refused = []; document.addEventListener("
    "'securitypolicyviolation', (e) => refused.push(e.effectiveDirective));"
)

TYPED = (
    "const input = document.querySelector(`[data-bar=${arguments[0]}]`); "
    "input.value = arguments[1]; input.dispatchEvent(new Event('input'));"
)
PATIENCE_S = 20.0  # chosen: a loaded machine starts a sound late, but not this late
ALIKE = row(id="LV-0150", severity=40.0)
PLAN = plan(rows=(RULE, row(), ALIKE, QUESTION))
TARGET_HZ = 441.0 * 2 ** (5 / 12)  # D5, five semitones over A4 = 441 Hz


def sounds(of: Plan) -> list[Excerpt]:
    """Excerpts in which every note is a plain sine, 21 cents under D5, in a low lead-in."""
    made = []
    for span in spans_to_play(page_lines(of), most_s=1.0, at_most=12):
        at_s = np.arange(round((span.end_s - span.start_s) * 48000)) / 48000 + span.start_s
        hz = TARGET_HZ * 2 ** (-21 / 1200)
        inside = (at_s >= span.note_start_s) & (at_s < span.note_end_s)
        wave = np.where(inside, 0.2, 0.02) * np.sin(2 * np.pi * hz * at_s)
        made.append(excerpt(span, wave[:, None], FACTS))
    return made


@pytest.fixture(scope="module", params=["chromium", "firefox"])
def browser(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Any]:
    """One headless browser, offline, silent, with a profile of its own."""
    profile = tmp_path_factory.mktemp("profile")
    if request.param == "firefox":
        if FIREFOX is None:
            pytest.skip("no Firefox: apt-get install firefox-esr")
        fox = Firefox(FIREFOX, profile)
        on_every_page(fox, REFUSED)
        yield fox
        fox.quit()
        return
    if CHROMIUM is None or DRIVER is None:
        pytest.skip("no chromium with its driver: apt-get install chromium chromium-driver")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for argument in ("--headless=new", "--mute-audio", "--disable-gpu", "--disable-dev-shm-usage",
                     f"--user-data-dir={profile}"):  # fmt: skip
        options.add_argument(argument)
    if os.geteuid() == 0:
        options.add_argument("--no-sandbox")  # Chromium refuses to run as root with one
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.execute_cdp_cmd("Network.enable", {})
    driver.execute_cdp_cmd(
        "Network.emulateNetworkConditions",
        {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
    )
    on_every_page(driver, REFUSED)
    yield driver
    driver.quit()


# ---------------------------------------------------------------- what each engine says its own way


def on_every_page(browser: Any, source: str) -> Callable[[], object]:
    """Run a script before each page's own; give what takes it away again."""
    if isinstance(browser, Firefox):
        body = f"() => {{ {source} }}"
        script = browser.call("script.addPreloadScript", functionDeclaration=body)["script"]
        return lambda: browser.call("script.removePreloadScript", script=script)
    command = "Page.addScriptToEvaluateOnNewDocument"
    added = browser.execute_cdp_cmd(command, {"source": source})
    return lambda: browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)


def console(browser: Any) -> list[Any]:
    """Warnings and errors that were written to the console since the last look."""
    if isinstance(browser, Firefox):
        told = browser.told("log.entryAdded")
        return [one["text"] for one in told if one["level"] in ("warn", "error")]
    return list(browser.get_log("browser"))


def of_size(browser: Any, width: int, height: int) -> None:
    if isinstance(browser, Firefox):
        browser.tab("browsingContext.setViewport", viewport={"width": width, "height": height})
        return
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )


def saving_into(browser: Any, folder: Path) -> None:
    if isinstance(browser, Firefox):
        where = {"type": "allowed", "destinationFolder": str(folder)}
        browser.call("browser.setDownloadBehavior", downloadBehavior=where)
        return
    browser.execute_cdp_cmd(
        "Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(folder)}
    )


def addresses_asked_for(browser: Any) -> list[str]:
    """Every address that was requested since the last look."""
    if isinstance(browser, Firefox):
        told = browser.told("network.beforeRequestSent")
        return [one["request"]["url"] for one in told]
    return [
        message["params"]["request"]["url"]
        for entry in browser.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"]
        == "Network.requestWillBeSent"
    ]


def printed(browser: Any) -> bytes:
    """The page as PDF on A4, as its own style sheet wants it."""
    if isinstance(browser, Firefox):
        paper = {"width": 21.0, "height": 29.7}
        # Of page margins the protocol knows only its own: those of the style sheet's @page.
        margin = {"top": 1.1, "bottom": 1.1, "left": 1.2, "right": 1.2}
        sheet = browser.tab("browsingContext.print", page=paper, margin=margin)["data"]
    else:
        sheet = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
    return base64.b64decode(sheet)


@pytest.fixture
def opened(browser: Any, tmp_path: Path) -> Iterator[Callable[..., Any]]:
    """Opens a plan's page; afterwards nothing may stand in the console or have been refused."""

    def show(
        of: Plan = PLAN,
        *,
        width: int = 1280,
        silent: bool = False,
        excerpts: Sequence[Excerpt] | None = None,
    ) -> Any:
        path = tmp_path / "review.html"
        tempo_map = tempo_map_from_marks([TempoMark(bar=1, bpm=92.0)], bar_one_at_s=0.0)
        heard = sounds(of) if excerpts is None else excerpts
        html = review_page(of, tempo_map, () if silent else heard)
        path.write_bytes(html.encode("utf-8"))
        of_size(browser, width, 844)
        console(browser)
        browser.get(path.as_uri())
        browser.execute_script("localStorage.clear()")
        browser.get(path.as_uri())
        return browser

    yield show
    if (tmp_path / "review.html").exists():
        assert console(browser) == []
        assert browser.execute_script("return window.refused") == []


def sheets_of(pdf: bytes) -> int:
    """Count the pages of a PDF; their entries may stand in compressed streams."""
    held = [pdf]
    for found in re.finditer(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        with contextlib.suppress(zlib.error):
            held.append(zlib.decompressobj().decompress(found[1]))
    return sum(len(re.findall(rb"/Type\s*/Page\b(?!s)", one)) for one in held)


def until(true: Callable[[], Any]) -> Any:
    """Wait for something to become true."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if found := true():
            return found
        time.sleep(0.02)
    raise AssertionError("it never came")


def button(page: Any, line: str, what: str) -> Any:
    from selenium.webdriver.common.by import By

    return page.find_element(By.CSS_SELECTOR, f'[data-id="{line}"] [{what}]')


def pressed(page: Any, line: str, what: str) -> bool:
    return bool(button(page, line, what).get_attribute("aria-pressed") == "true")


def tap(page: Any, found: Any) -> None:
    """Click what a hand would first bring to the middle of the screen."""
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", found)
    found.click()


def click(page: Any, line: str, what: str) -> None:
    tap(page, button(page, line, what))


def keys(page: Any, *typed: str) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    for key in typed:
        if isinstance(page, Firefox):
            page.send_keys(key)
            continue
        ActionChains(page).send_keys(key).perform()


def answers(page: Any) -> list[str]:
    """The text that leaves the page, as lines; it ends with a line end."""
    text = page.execute_script("return document.getElementById('text').value")
    assert text.endswith("\n")
    return list(text[:-1].split("\n"))


HEAD = ["planner answers 1", "song: Low Tide Ledger", f"plan: {plan_id(PLAN)}"]


# ---------------------------------------------------------------- answers


def test_answers_leave_as_agreed(opened: Any) -> None:
    """Buttons make one line each; notes follow a tab on one line; `all like this` names each."""
    page = opened()
    assert answers(page) == HEAD
    click(page, "R-001", 'data-answer="half"')
    click(page, "LV-0147", 'data-answer="no"')
    assert pressed(page, "LV-0147", 'data-answer="no"')
    click(page, "LV-0147", 'data-answer="yes"')
    assert not pressed(page, "LV-0147", 'data-answer="no"')
    assert "all 2 like this" in button(page, "LV-0147", "data-all").text
    click(page, "LV-0147", "data-all")
    click(page, "LV-0147", "data-note")
    keys(page, "tide: a little", "\n", "less, père?")
    click(page, "Q-001", "data-note")
    keys(page, "her choice")
    expected = [
        *HEAD, "LV-0147 yes\ttide: a little\\nless\\\\more, père?", "LV-0150 yes", "R-001 half",
        "Q-001 note\ther choice",
    ]  # fmt: skip
    # A tab typed into a field would move on, so the note's tab comes by script, as by pasting.
    page.execute_script(
        "const t = document.querySelector('[data-id=\"LV-0147\"] textarea');"
        "t.value = 'tide: a\\tlittle\\nless\\\\more, père?'; t.dispatchEvent(new Event('input'))"
    )
    assert answers(page) == expected
    by = page.find_element("id", "by")
    by.send_keys("Ada")
    assert answers(page) == [*HEAD, "by: Ada", *expected[3:]]
    assert page.find_element("id", "send").text == "3 of 3 answered: send"


def test_an_answer_can_be_taken_back(opened: Any) -> None:
    """The same button again takes the answer out of the text."""
    page = opened()
    click(page, "R-001", 'data-answer="ask"')
    assert answers(page)[3:] == ["R-001 ask"]
    click(page, "R-001", 'data-answer="ask"')
    assert answers(page) == HEAD


def test_the_saved_file_is_the_text(opened: Any, tmp_path: Path) -> None:
    """Saving gives a small UTF-8 file with the text of the page, byte for byte."""
    page = opened()
    saving_into(page, tmp_path)
    click(page, "LV-0147", 'data-answer="yes"')
    page.find_element("id", "by").send_keys("Zoë")
    tap(page, page.find_element("id", "save"))
    saved = tmp_path / "answers_low_tide_ledger.txt"
    until(saved.exists)
    until(lambda: saved.stat().st_size)
    expected = "\n".join([*HEAD, "by: Zoë", "LV-0147 yes"]) + "\n"
    assert saved.read_bytes() == expected.encode("utf-8")
    assert "Saved as answers_low_tide_ledger.txt" in page.find_element("id", "sent").text


def test_the_copied_text_is_the_text(opened: Any) -> None:
    """Copying puts the same text on the clipboard, or selects it where that is forbidden."""
    page = opened()
    click(page, "LV-0147", 'data-answer="yes"')
    page.execute_script(
        "navigator.clipboard.writeText = (text) => (window.taken = text, Promise.resolve())"
    )
    tap(page, page.find_element("id", "copy"))
    assert until(lambda: page.execute_script("return window.taken")).endswith("\nLV-0147 yes\n")
    page.execute_script(
        "navigator.clipboard.writeText = () => Promise.reject(new Error('no'));"
        "document.execCommand = () => false"
    )
    tap(page, page.find_element("id", "copy"))
    until(lambda: "by hand" in page.find_element("id", "sent").text)
    chosen = page.execute_script(
        "const t = document.getElementById('text'); return t.value.slice(t.selectionStart, "
        "t.selectionEnd)"
    )
    assert chosen.endswith("LV-0147 yes\n")


def test_answers_outlive_the_page_and_belong_to_their_plan(opened: Any) -> None:
    """Opened again the page remembers; a page of another plan at the same place does not."""
    page = opened()
    click(page, "R-001", 'data-answer="yes"')
    click(page, "LV-0147", "data-note")
    keys(page, "softer")
    page.refresh()
    assert answers(page)[3:] == ["LV-0147 note\tsofter", "R-001 yes"]
    assert pressed(page, "R-001", 'data-answer="yes"')
    path = Path(page.current_url.removeprefix("file://"))
    other = plan(rows=(RULE, row(add_cents=15.0), QUESTION))
    path.write_text(review_page(other), encoding="utf-8")
    page.refresh()
    assert answers(page) == [*HEAD[:2], f"plan: {plan_id(other)}"]


def test_without_storage_answers_live_in_the_page(opened: Any, browser: Any) -> None:
    """Where the browser keeps nothing, answering still works."""
    unblock = on_every_page(
        browser,
        "for (const name of ['getItem', 'setItem']) Storage.prototype[name] = "
        "() => { throw new Error('no storage') }",
    )
    try:
        page = opened()
        click(page, "R-001", 'data-answer="yes"')
        assert answers(page)[3:] == ["R-001 yes"]
    finally:
        unblock()


# ---------------------------------------------------------------- keys


def test_keys_move_answer_and_play(opened: Any) -> None:
    """j, k, arrows move; y, n, a, h answer; space plays and stops; in a note keys are letters."""
    page = opened()
    at = "return document.activeElement.dataset.id ?? null"
    keys(page, "y")  # nowhere yet
    assert answers(page) == HEAD
    keys(page, "j", "y")
    assert page.execute_script(at) == "LV-0147"
    keys(page, "j", "h", "\ue014", "a")  # right arrow
    assert page.execute_script(at) == "Q-001"
    assert answers(page)[3:] == ["LV-0147 yes", "R-001 half", "Q-001 ask"]
    keys(page, "h")  # a question has no half
    assert answers(page)[3:] == ["LV-0147 yes", "R-001 half", "Q-001 ask"]
    keys(page, "k", "\ue012", "l", "n")  # left arrow
    assert answers(page)[3:5] == ["LV-0147 no", "LV-0150 no"]
    keys(page, " ")
    until(lambda: pressed(page, "LV-0147", 'data-way="recorded"'))
    keys(page, " ")
    until(lambda: not pressed(page, "LV-0147", 'data-way="recorded"'))
    keys(page, "w")
    keys(page, "yes and no ", "j")
    assert answers(page)[3] == "LV-0147 no\tyes and no j"
    keys(page, "\ue00c", "j")  # escape leaves the note
    assert page.execute_script(at) == "R-001"


def test_focus_and_names(opened: Any) -> None:
    """Every control has a name, and the one that has the focus shows it."""
    page = opened()
    unnamed = page.execute_script(
        "return [...document.querySelectorAll('button, textarea, input, audio')].filter((e) => "
        "!(e.textContent.trim() || e.getAttribute('aria-label') || e.closest('label'))).length"
    )
    assert unnamed == 0
    keys(page, "\ue004")  # tab
    assert page.execute_script("return document.activeElement.tagName") == "A"
    if isinstance(page, Firefox):
        return  # a window without a screen is never the active one, so no focus is shown in it
    outline = page.execute_script(
        "const s = getComputedStyle(document.activeElement); return s.outlineStyle + s.outlineWidth"
    )
    assert outline == "solid3px"


# ---------------------------------------------------------------- sound


def test_excerpts_decode_and_play(opened: Any) -> None:
    """Each audio element plays from its own data to its end, at its full length."""
    page = opened()
    click(page, "LV-0147", 'data-answer="yes"')  # browsers play nothing before a hand was there
    page.execute_script(
        "for (const a of document.querySelectorAll('audio')) { a.muted = true; a.play(); }"
    )
    state = (
        "return [...document.querySelectorAll('audio')].map((a) => [a.ended, a.currentTime, "
        "a.duration, a.error && a.error.message])"
    )
    found = until(lambda: (s := page.execute_script(state)) and all(one[0] for one in s) and s)
    lengths = [one.span.end_s - one.span.start_s for one in sounds(PLAN)]
    assert [one[2] for one in found] == pytest.approx(lengths, abs=0.001)
    assert [one[1] for one in found] == pytest.approx(lengths, abs=0.05)
    assert {one[3] for one in found} == {None}


def test_nothing_plays_by_itself_and_one_thing_at_a_time(opened: Any) -> None:
    """A sound starts by hand, stops when another starts, and ends by itself."""
    page = opened()
    any_pressed = "return document.querySelectorAll('[data-way][aria-pressed=true]').length"
    assert page.execute_script(any_pressed) == 0
    click(page, "LV-0147", 'data-way="recorded"')
    until(lambda: "As recorded" in page.find_element("css selector", ".playing").text)
    click(page, "R-001", 'data-way="target"')
    assert page.execute_script(any_pressed) == 1
    assert pressed(page, "R-001", 'data-way="target"')
    start = time.monotonic()
    until(lambda: page.execute_script(any_pressed) == 0)
    assert time.monotonic() - start > 1.0  # it was heard, not skipped


def test_where_no_sound_starts_it_is_said(opened: Any) -> None:
    """Without an output a browser may wait for ever: the button lets go, and a line says why."""
    page = opened()
    page.execute_script("AudioContext.prototype.resume = () => new Promise(() => 0)")
    click(page, "LV-0147", 'data-way="recorded"')
    said = until(lambda: page.find_element("css selector", '[data-id="LV-0147"] .playing').text)
    assert said == (
        "This browser does not play it: no sound starts; is an output connected, and may this page "
        "play?"
    )
    assert not pressed(page, "LV-0147", 'data-way="recorded"')


def rendered(page: Any, way: str) -> np.ndarray:
    """What one button sends to the loudspeaker, made faster than time by the browser itself."""
    page.refresh()
    page.execute_script(
        "window.AudioContext = function () {"
        "const c = new OfflineAudioContext(1, 22050 * 5, 22050);"
        "c.resume = () => Promise.resolve(); window.made = c; return c; }"
    )
    click(page, "LV-0147", f'data-way="{way}"')
    until(lambda: page.find_element("css selector", '[data-id="LV-0147"] .playing').text)
    coded = page.execute_async_script(
        "const done = arguments[0]; made.startRendering().then((b) => { const d = new Uint8Array("
        "b.getChannelData(0).buffer); let s = ''; for (let i = 0; i < d.length; i += 8192) "
        "s += String.fromCharCode(...d.subarray(i, i + 8192)); done(btoa(s)); })"
    )
    return np.frombuffer(base64.b64decode(coded), dtype="<f4").astype(float)


def test_the_rough_mix_is_heard_by_its_own_button(opened: Any) -> None:
    """The fourth way plays the mix, not the stem; lines without one have no such button."""
    of = [replace(one, mix=one.wav) for one in sounds(PLAN)[:1]]
    mix = soundfile_bytes(np.sin(2 * np.pi * 500.0 * np.arange(22050 * 2) / 22050))
    of[0] = replace(of[0], mix=mix)
    page = opened(excerpts=of)
    line = of[0].span.row_id
    assert page.execute_script("return document.querySelectorAll('[data-way=mix]').length") == 1
    page.execute_script(
        "window.AudioContext = function () {"
        "const c = new OfflineAudioContext(1, 22050 * 2, 22050);"
        "c.resume = () => Promise.resolve(); window.made = c; return c; }"
    )
    click(page, line, 'data-way="mix"')
    said = until(lambda: page.find_element("css selector", f'[data-id="{line}"] .playing').text)
    assert said == "In the rough mix."


def soundfile_bytes(samples: np.ndarray) -> bytes:
    out = io.BytesIO()
    soundfile.write(out, 0.2 * samples, 22050, format="WAV", subtype="PCM_16")
    return out.getvalue()


def test_the_note_that_was_meant_is_a_button(opened: Any) -> None:
    """Both notes are offered, one is chosen, and the line that leaves reads back as that note."""
    which = replace(
        QUESTION, rule_name="between two notes", covers=("EGL-0031",), intended_midi=62,
        heard_cents=58.0,
    )  # fmt: skip
    page = opened(plan(rows=(row(), which)), silent=True)
    click(page, "Q-001", 'data-answer="meant D4"')
    click(page, "Q-001", 'data-answer="meant Eb4"')
    assert not pressed(page, "Q-001", 'data-answer="meant D4"')
    line = answers(page)[-1]
    assert line == "Q-001 meant Eb4"
    export = read_export("\n".join(answers(page)) + "\n")
    found, unclear = placed(export.said, (row(), which), {})
    assert unclear == ()
    assert [(p.row.id, p.meant_midi) for p in found] == [("Q-001", 63)]
    keys(page, "y")  # a yes would say nothing here
    assert answers(page)[-1] == "Q-001 meant Eb4"


def off_target(heard: np.ndarray, from_s: float, to_s: float) -> float:
    """Cents off the target by librosa's YIN, an estimator that is not ours (within about 2)."""
    piece = heard[round(from_s * 22050) : round(to_s * 22050)]
    f0 = librosa.yin(piece, fmin=300, fmax=1200, sr=22050, frame_length=2048)
    return float(1200 * np.log2(np.median(f0) / TARGET_HZ))


def test_target_tone_is_in_its_place_and_soft(opened: Any) -> None:
    """The tone sounds where the note does, on the target, 12 dB under it, with a 20 ms start."""
    page = opened()
    recorded = rendered(page, "recorded")
    both = rendered(page, "target")
    tone = both - recorded
    start = round((0.05 + 1.0) * 22050)  # 50 ms of notice, 1 s of lead-in
    end = start + round(1.0 * 22050)
    assert np.abs(tone[: start - 10]).max() < 1e-4
    assert np.abs(tone[end + 10 :]).max() < 1e-4
    assert off_target(tone, 1.2, 1.9) == pytest.approx(0.0, abs=2.0)
    assert off_target(recorded, 1.2, 1.9) == pytest.approx(-21.0, abs=2.0)
    inside = slice(start + 2205, end - 2205)
    level_db = 20 * np.log10(np.std(tone[inside]) / np.std(recorded[inside]))
    assert level_db == pytest.approx(-12.0, abs=0.2)
    full = np.abs(tone[inside]).max()
    assert np.abs(tone[start : start + 44]).max() < 0.15 * full  # 2 of 20 ms
    assert np.abs(tone[start + 441 : start + 882]).max() > 0.9 * full
    assert np.abs(both).max() < 1.0


def test_curves_are_heard_one_after_the_other(opened: Any) -> None:
    """First the measured pitch, then the planned one, 16 cents higher, at one level."""
    heard = rendered(opened(), "curves")
    # Its first second is played, as far as the trace goes: eight points 1.4 / 11 s apart.
    length_s = 7 * 1.4 / 11
    then_s = 0.05 + length_s + 0.4
    measured = off_target(heard, 0.05 + 0.6, 0.05 + 0.87)
    planned = off_target(heard, then_s + 0.6, then_s + 0.87)
    assert measured == pytest.approx(-21.0, abs=2.5)
    assert planned - measured == pytest.approx(16.0, abs=1.5)
    levels = [
        np.std(heard[round((at + 0.6) * 22050) : round((at + 0.8) * 22050)])
        for at in (0.05, then_s)
    ]
    assert levels[0] == pytest.approx(levels[1], rel=0.02)
    gap = heard[round((then_s - 0.38) * 22050) : round((then_s - 0.01) * 22050)]
    assert np.abs(gap).max() < 1e-4


def test_a_silent_page_still_plays_the_curves(opened: Any) -> None:
    """Without excerpts there is no recording to play, but the plan can be heard as tones."""
    page = opened(silent=True)
    ways = page.execute_script(
        "return [...document.querySelectorAll('[data-way]')].map((b) => b.dataset.way)"
    )
    assert set(ways) == {"curves"}
    keys(page, "j", " ")
    until(lambda: pressed(page, "LV-0147", 'data-way="curves"'))
    until(lambda: "planned" in page.find_element("css selector", ".playing").text)


# ---------------------------------------------------------------- the page itself


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_nothing_is_wider_than_the_screen(opened: Any, width: int) -> None:
    """No sideways scrolling, and every button is large enough for a thumb."""
    page = opened(width=width)
    for line in ("LV-0147", "Q-001"):
        click(page, line, "data-note")
    assert page.execute_script("return document.documentElement.scrollWidth") <= width
    sizes = page.execute_script(
        "return [...document.querySelectorAll('button')].map((b) => b.getBoundingClientRect())"
        ".map((r) => [r.width, r.height])"
    )
    assert len(sizes) > 15
    assert min(min(size) for size in sizes) >= 44.0


def test_nothing_is_asked_for_beyond_the_page(opened: Any, browser: Any, tmp_path: Path) -> None:
    """Opening and playing request the file and its own data, nothing else."""
    page = opened()
    addresses_asked_for(browser)
    page.refresh()
    click(page, "LV-0147", 'data-way="target"')
    page.execute_script("document.querySelector('audio').load()")
    asked = [a for a in addresses_asked_for(browser) if not a.startswith("data:")]
    if isinstance(browser, Firefox):
        # Firefox tells of no files; that it does tell of addresses is seen on another page.
        assert asked == []
        other = tmp_path / "other.html"
        other.write_text("<meta charset='utf-8'><img src='http://nowhere.invalid/x.png'>")
        page.get(other.as_uri())
        until(lambda: any("nowhere.invalid" in url for url in addresses_asked_for(browser)))
        page.execute_script("window.refused = []")
        console(browser)
        return
    assert asked
    assert {url.partition(":")[0] for url in asked} <= {"file", "data"}
    assert [url for url in asked if url.startswith("file")] == [page.current_url]


def test_the_policy_holds(browser: Any, opened: Any) -> None:
    """A foreign script, style or request is refused: the policy is more than a text."""
    page = opened()
    page.execute_script(
        "const s = document.createElement('script'); s.textContent = 'window.bad = 1';"
        "document.body.append(s); const i = new Image();"
        "i.src = 'data:image/gif;base64,R0lGODlhAQAB';"
        "fetch('data:text/plain,x').catch(() => 0);"
    )
    refused = until(lambda: len(r := page.execute_script("return refused")) >= 3 and r)
    assert set(refused) == {"script-src-elem", "img-src", "connect-src"}
    assert page.execute_script("return window.bad") is None
    console(browser)
    page.execute_script("refused.length = 0")


def test_without_scripts_it_is_a_report(opened: Any, browser: Any) -> None:
    """With scripts off the drawings, words and players show, and no dead button does."""
    if isinstance(browser, Firefox):
        pytest.skip("this Firefox has no command that turns scripts off")
    page = opened()
    url = page.current_url
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(url)
        root = browser.execute_cdp_cmd("DOM.getDocument", {})["root"]["nodeId"]

        def shown(selector: str) -> bool:
            from selenium.common.exceptions import WebDriverException

            node = browser.execute_cdp_cmd(
                "DOM.querySelector", {"nodeId": root, "selector": selector}
            )["nodeId"]
            assert node
            try:
                browser.execute_cdp_cmd("DOM.getBoxModel", {"nodeId": node})
            except WebDriverException:
                return False
            return True

        assert [shown(s) for s in ("svg", "audio", "noscript p", "h3")] == [True] * 4
        assert [shown(s) for s in ("[data-answer]", "[data-way]", "#bar", "#answers")] == [
            False
        ] * 4
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    browser.get(url)


def test_a_stretch_is_given_its_bars(opened: Any) -> None:
    """Typed bars of a rule over a stretch leave as words that a reply may hold; one end will do."""
    span = replace(RULE, scope="span", action="tuning-span", start_bar=19, end_bar=36)
    offender = replace(OFFENDER, row_id="R-001")
    page = opened(plan(rows=(span,), offenders=(offender,)))
    page.execute_script(TYPED, "from", "17")
    assert answers(page)[3:] == ["R-001 begins at bar 17"]
    page.execute_script(TYPED, "to", "33")
    keys(page, "j", "y")
    assert answers(page)[3:] == ["R-001 bars 17-33", "R-001 yes"]
    export = read_export("\n".join(answers(page)) + "\n")
    found, unclear = placed(export.said, (span,), {})
    assert unclear == ()
    assert [(one.bars, one.answer) for one in found] == [((17, 33), None), (None, "yes")]


def test_it_prints_on_two_pages(opened: Any) -> None:
    """Twelve offenders and ten questions take two sheets of A4, without buttons or players."""
    notes = [judged(f"LV-{k:04d}", start_s=10.0 * k) for k in range(1, 23)]
    others = [
        judged(f"{stem}-{k:04d}", 60, start_s=10.0 * k)
        for stem in ("PNO", "BAS", "AGT", "EGL", "CEL") for k in range(1, 9)
    ]  # fmt: skip
    rows = [row(id=f"LV-{k:04d}", covers=(f"LV-{k:04d}",)) for k in range(1, 13)]
    asked = [replace(QUESTION, id=f"Q-{k:03d}", covers=(f"LV-{k + 12:04d}",)) for k in range(1, 11)]
    offenders = [replace(OFFENDER, rank=k, row_id=f"LV-{k:04d}") for k in range(1, 13)]
    page = opened(plan(judged=(*others, *notes), rows=(*rows, *asked), offenders=tuple(offenders)))
    assert sheets_of(printed(page)) == 2


WHY_LEFT = (
    "within its tolerance",
    "falls off at its very end, as the line of this phrase does in the other verses: kept",
    "within twice what its reading is unsure by: cannot be told from in tune",
)


def large_plan(notes: int) -> Plan:
    """Twenty stems, as many lines, questions and reasons as one page may be asked to hold."""
    stems = [f"S{k:02d}" for k in range(20)]
    heard = [
        judged(f"{stems[k % 20]}-{k:04d}", 48 + k % 24, start_s=0.25 * k, action="leave",
               rule_name=f"rule {k % 14}", reason=f"{WHY_LEFT[k % 3]} ({k % 14})", add_cents=None)
        for k in range(notes)
    ]  # fmt: skip
    unheard = [
        replace(one, heard_cents=None, onset_cents=None, sustain_cents=None, measured=replace(
            one.measured, measurement=Measurement(
                not_measured_because=f"no free partial, for cause {'abcdefghij'[k % 10]} of all")))
        for k, one in enumerate(heard[-40:])
    ]  # fmt: skip
    rules = [
        replace(RULE, id=f"R-{k:03d}", reason="the part sits 6.9 sharp as a whole, 82 % of the 34 "
                "notes that hold a pitch are flat: one move for all of it")
        for k in range(1, 4)
    ]  # fmt: skip
    own = [judged(f"LV-{k:04d}", start_s=10.0 * k) for k in range(1, 31)]
    rows = [row(id=f"LV-{k:04d}", covers=(f"LV-{k:04d}",)) for k in range(1, 21)]
    asked = [
        replace(QUESTION, id=f"Q-{k:03d}", covers=(f"LV-{k + 20:04d}",),
                reason="44 flat for Eb2, so between two notes: which was meant, D2 or Eb2?")
        for k in range(1, 11)
    ]  # fmt: skip
    told = [
        replace(QUESTION, id=f"Q-{k + 100}", rule_name=why, stem=stems[k],
                covers=(heard[k].measured.id,))
        for k, why in enumerate(("cannot tell", "wobble", "join inside") * 6)
    ]  # fmt: skip
    headline = (
        "D5 21 flat, beats 7.2 times a second (0.6 if in tune) with PNO's Bb3, overtone on "
        "overtone at D6, for 0.9 s (6 beats), the other 8 dB softer"
    )
    offenders = [
        replace(OFFENDER, rank=k, row_id=f"LV-{k:04d}", headline=headline) for k in range(1, 21)
    ]
    made = plan(
        judged=(*heard[:-40], *unheard, *own), rows=(*rules, *rows, *asked, *told),
        offenders=tuple(offenders),
    )  # fmt: skip
    summed = [replace(made.stems[1], code=stem) for stem in stems]
    return replace(
        made, session=replace(made.session, offenders_wanted=20), stems=(*made.stems, *summed)
    )


def test_no_session_prints_on_more_than_two_pages(opened: Any) -> None:
    """Twenty lines, ten questions and long tables are cut to two sheets, and the cuts are told."""
    page = opened(large_plan(400), silent=True)
    assert sheets_of(printed(page)) == 2
    shown = page.execute_script(
        "return [...document.querySelectorAll('.paper')].map((p) => p.textContent)"
    )
    for cut in ("8 lines more", "6 further questions", "1 reason more", "10 reasons more",
                "8 reasons more"):  # fmt: skip
        assert any(one.startswith(cut) for one in shown), cut
    # All parts along the song: as many lanes as there is room for, on paper too.
    assert page.execute_script("return document.querySelectorAll('.parts .target').length") == 10
    # On the screen nothing is cut.
    assert len(page.execute_script("return document.querySelectorAll('.lines article')")) == 20
    assert len(page.execute_script("return document.querySelectorAll('.left tr')")) == 15


def test_two_thousand_notes_open_at_once(opened: Any) -> None:
    """A page of a session of 2000 notes, with its excerpts, is open within three seconds."""
    large = large_plan(2000)
    page = opened(large)
    took_ms = []
    for _ in range(3):  # the best of three: other work on the machine is no fault of the page
        page.refresh()
        until(lambda: page.execute_script(
            "return performance.getEntriesByType('navigation')[0].loadEventEnd > 0"))  # fmt: skip
        took_ms.append(page.execute_script(
            "return performance.getEntriesByType('navigation')[0].loadEventEnd"))  # fmt: skip
    assert len(page.execute_script("return document.querySelectorAll('article')")) == 30
    assert min(took_ms) < 3000.0
