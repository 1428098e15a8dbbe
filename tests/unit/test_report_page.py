"""The page and the picture of a report: the files, and what a real browser does with them."""

from __future__ import annotations

import base64
import json
import re
import zlib
from array import array
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from random import Random
from typing import Any
from xml.etree import ElementTree

import pytest
from browser_kit import DESKTOP, PHONE, chromium
from report_kit import demo_report, output, put_home, report_of, track

from pointsman.cli import main
from pointsman.reporting import style
from pointsman.reporting.collect import MOST_NOTES, MOST_VALUES
from pointsman.reporting.figures import LEFT, RIGHT
from pointsman.reporting.lanes import Lane
from pointsman.reporting.layout import lay_out
from pointsman.reporting.model import Model, Row, Track
from pointsman.reporting.notes import End
from pointsman.reporting.packing import Packer
from pointsman.reporting.page import page_parts, write_page
from pointsman.reporting.picture import draw

MEGABYTE = 1_000_000
VIEW = """(() => {
  const times = Bokeh.documents[0].get_model_by_name("times");
  return [times.start, times.end];
})()"""
"""Which part of the time is in view, in milliseconds."""
HOSTILE = "<script>document.title='taken'</script>\"'&amp;$x^2$"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Model:
    return demo_report(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="module")
def page(demo: Model, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    write_page(demo, path)
    return path


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Model:
    name = json.dumps(HOSTILE)
    rig = f"""
    rig: {name}
    input: {{port: "null:"}}
    outputs:
      tug<b>&"':
        port: "null:"
        device: device.yaml
        chain: [{{plugin: cc_reset, controls: {{74: 64}}, label: {name}}}]
    """
    device = f"device: {name}\ncontrols: {{cutoff: {{cc: 74, home: 64}}}}\n"
    log = "0.1 B0 4A 7F\n0.1 90 3C 40\n0.2 80 3C 40\n0.3 90 3E 40\n0.4 80 3E 40"
    return report_of(tmp_path_factory.mktemp("hostile"), rig, log, device=device)


# ---- the file ------------------------------------------------------------------------------------


class Elements(HTMLParser):
    """Every element with its attributes, and the text of each script."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.words = ""
        self._inside = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self._inside = tag == "script"
        if self._inside:
            self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._inside = self._inside and tag != "script"

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.scripts[-1] += data
        else:
            self.words += data


def test_the_page_refers_to_nothing_outside_itself(page: Path) -> None:
    elements = Elements(page.read_text("utf-8"))
    tags = {tag for tag, _ in elements.found}
    assert not tags & {"iframe", "img", "object", "embed", "audio", "video", "base", "form"}
    referring = {"src", "href", "srcset", "action", "data", "poster", "background"}
    for tag, attributes in elements.found:
        links = {name: value for name, value in attributes.items() if name in referring}
        assert links in ({}, {"href": "data:,"}), tag
    style_text = re.findall(r"<style>(.*?)</style>", page.read_text("utf-8"), re.DOTALL)
    assert not any("url(" in text or "@import" in text for text in style_text)
    own = elements.scripts[-1]
    assert not re.search(r"https?:|fetch\(|XMLHttpRequest|WebSocket|import\(", own)


def test_the_policy_lets_two_scripts_run_and_nothing_leave(page: Path) -> None:
    elements = Elements(page.read_text("utf-8"))
    [policy] = [
        attributes["content"] or ""
        for tag, attributes in elements.found
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    rules = dict(rule.strip().partition(" ")[::2] for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert "connect-src" not in rules
    hashes = rules["script-src"].split()
    assert len(hashes) == 2
    assert all(text.startswith("'sha256-") for text in hashes)


def test_the_page_of_the_demo_is_small(page: Path) -> None:
    assert page.stat().st_size < 2 * MEGABYTE


def test_columns_come_back_as_they_were() -> None:
    random = Random(3)
    packer = Packer()
    values = [random.randrange(1 << 20) for _ in range(500)]
    times = sorted(random.randrange(1 << 40) for _ in range(500))
    places = [packer.add(values), packer.add(array("q", times), steps=True), packer.add([])]
    data = zlib.decompress(base64.b64decode(packer.text()))

    def column(at: int, n: int, w: int, s: int) -> list[int]:
        planes = [data[at + plane * n : at + (plane + 1) * n] for plane in range(w)]
        found = [int.from_bytes(number, "little") for number in zip(*planes, strict=True)]
        for place in range(1, n if s else 0):
            found[place] += found[place - 1]
        return found

    assert [column(**place) for place in places] == [values, times, []]


def test_the_largest_report_is_under_fifteen_megabytes() -> None:
    """Random values, which nothing compresses, as many as a report ever keeps."""
    random = Random(4)
    rows = [Row("input", is_output=False), *(Row(name) for name in ("tug", "gull", "buoy"))]
    for row in rows:
        share = MOST_NOTES // len(rows)
        notes = row.notes
        notes.begins = array("q", (n * 9000 + random.randrange(8000) for n in range(share)))
        notes.ends = array("q", (begin + random.randrange(400_000) for begin in notes.begins))
        notes.keys = array("H", (random.randrange(4 * 128) for _ in range(share)))
        notes.velocities = array("B", (1 + random.randrange(127) for _ in range(share)))
        notes.kinds = array("B", random.choices(range(1, 4), k=share))
        notes.on_traces = notes.off_traces = array("H", random.choices(range(2), k=share))
        notes.causes = array("i", range(share))
        for number in range(24):
            lane = Track("control", f"control {number}", Lane())
            size = MOST_VALUES // len(rows) // 24
            lane.lane.replace(
                (
                    (n * 90_000 + random.randrange(80_000) for n in range(size)),
                    random.choices(range(128), k=size),
                    random.choices(range(2), k=size),
                    random.choices(range(2), k=size),
                )
            )
            row.tracks.append(lane)
    model = Model("harbour", "set.tsv", 4, rows[0], rows[1:], [(), ()], end_us=3_600_000_000)
    assert sum(len(part.encode()) for part in page_parts(model)) < 15 * MEGABYTE


def test_names_from_a_rig_are_text(hostile: Model) -> None:
    text = "".join(page_parts(hostile))
    elements = Elements(text)
    assert sum(tag == "script" for tag, _ in elements.found) == 4
    assert HOSTILE in elements.words
    data = json.loads(elements.scripts[0])
    assert any(HOSTILE in line for lines in data["traces"] for line in lines)


# ---- contrast ------------------------------------------------------------------------------------


def contrast(one: str, other: str) -> float:
    """The contrast of two colours (WCAG 2.2, definition of contrast ratio)."""

    def luminance(color: str) -> float:
        parts = [int(color[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", ["INK", "SENT", "CAME_IN", "HOME", "STOLEN", "ENDED"])
def test_every_colour_stands_out_from_the_paper(name: str) -> None:
    """1.4.3 asks for 4.5:1 of text, 1.4.11 for 3:1 of what is drawn."""
    for paper in (style.PAPER, style.BAND):
        assert contrast(getattr(style, name), paper) >= 4.5


# ---- in a real browser ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as running:
        yield running


class Visit:
    """One page, opened in a browser that lets no request out, and all that it complained of."""

    def __init__(self, browser: Any, path: Path, size: dict[str, int] | None = None) -> None:
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page = browser.new_page(viewport=size) if size else browser.new_page()
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        url = path.as_uri()
        self._own = url
        self.page.route(re.compile("^(?!file:)"), lambda route: route.abort())
        self.page.on("request", self._request)
        self.page.goto(url)
        self.page.wait_for_selector("html[data-drawn]", timeout=30_000)

    def _request(self, request: Any) -> None:
        if request.url != self._own:
            self.requests.append(request.url)

    def _console(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def point_at(self, number: int, share: float, y: float) -> list[str]:
        """Move the pointer to a place of a row (`share` of its width); what it is told there."""
        row = self.page.locator(f"#row{number}")
        row.scroll_into_view_if_needed()
        box = row.bounding_box()
        width = box["width"] - LEFT - RIGHT
        self.page.mouse.move(box["x"] + LEFT + share * width, box["y"] + y)
        told: list[str] = self.page.locator("#told div").all_inner_texts()
        return told if self.page.locator("#told").is_visible() else []


def share_of(model: Model, t_us: float) -> float:
    """Where a time is, as a part of the width, when all is in view: 1 % is free at each end."""
    return (t_us / model.end_us + 0.01) / 1.02


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_the_page_opens_without_complaint_and_asks_for_nothing(
    browser: Any, page: Path, size: dict[str, int]
) -> None:
    visit = Visit(browser, page, size)
    assert visit.complaints == []
    assert visit.requests == []
    assert visit.page.locator("canvas").count() > 0
    widths = visit.page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    assert widths[0] <= widths[1], "it scrolls sideways"
    visit.page.close()


def test_nothing_leaves_the_page_even_if_it_wanted_to(browser: Any, page: Path) -> None:
    visit = Visit(browser, page, DESKTOP)
    said = visit.page.evaluate("fetch('http://127.0.0.1:9/').then(() => 'sent', () => 'kept')")
    assert said == "kept"
    assert visit.requests == []
    assert any("Content Security Policy" in text for text in visit.complaints)
    visit.page.close()


def test_pointing_at_a_mark_tells_the_message_and_the_line_of_the_rig(
    browser: Any, page: Path, demo: Model
) -> None:
    visit = Visit(browser, page, DESKTOP)
    layout = lay_out(demo)[0]
    cutoff = track(output(demo), "cutoff")
    band = next(b for b in layout.bands if b.number == layout.row.tracks.index(cutoff))
    when_s, value = put_home(cutoff)[0]
    told = visit.point_at(0, share_of(demo, when_s * 1e6), (band.top + band.bottom) / 2)
    assert told[0] == f"control 74 (cutoff) {value} channel 5"
    assert told[1].startswith("0:00.75")
    assert told[1].endswith("bar 1")
    assert "put home" in told
    assert "rig.yaml:16 cc_reset: sent it of its own accord" in told
    assert "came in last: control 74 (brightness) 118 channel 1" in told

    notes = output(demo).notes
    first = next(n for n, kind in enumerate(notes.kinds) if kind == End.STOLEN)
    step = layout.bands[0].height / (layout.high - layout.low + 1)
    y = layout.bands[0].top + (layout.high - (notes.keys[first] & 0x7F) + 0.5) * step
    middle = (notes.begins[first] + notes.ends[first]) / 2
    told = visit.point_at(0, share_of(demo, middle), y)
    assert told[0] == "note G2 110 channel 5"
    assert "rig.yaml:13 channel_remap: changed it" in told
    assert any(line.startswith("stolen: a newer note needed its voice") for line in told)
    assert "rig.yaml:18 note_limit: sent it of its own accord" in told
    assert visit.complaints == []
    visit.page.close()


def test_the_view_moves_by_buttons_and_keys(browser: Any, page: Path) -> None:
    visit = Visit(browser, page, DESKTOP)
    whole = visit.page.evaluate(VIEW)
    visit.page.get_by_role("button", name="Closer").click()
    closer = visit.page.evaluate(VIEW)
    assert closer[1] - closer[0] == pytest.approx((whole[1] - whole[0]) / 2)
    visit.page.keyboard.press("ArrowRight")
    later = visit.page.evaluate(VIEW)
    assert later[0] > closer[0]
    visit.page.keyboard.press("0")
    assert visit.page.evaluate(VIEW) == pytest.approx(whole)
    assert visit.complaints == []
    visit.page.close()


def test_a_mouse_drags_the_view_and_a_finger_taps(browser: Any, page: Path) -> None:
    visit = Visit(browser, page, DESKTOP)
    visit.page.get_by_role("button", name="Closer").click()
    before = visit.page.evaluate(VIEW)
    box = visit.page.locator("#row0").bounding_box()
    visit.page.mouse.move(box["x"] + 600, box["y"] + 100)
    visit.page.mouse.down()
    visit.page.mouse.move(box["x"] + 400, box["y"] + 100, steps=3)
    visit.page.mouse.up()
    assert visit.page.evaluate(VIEW)[0] > before[0]
    visit.page.close()

    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    visit = Visit(context, page)
    box = visit.page.locator("#row0").bounding_box()
    visit.page.touchscreen.tap(box["x"] + 200, box["y"] + 180)
    assert "at once" in visit.page.locator("#told").inner_text()
    visit.page.touchscreen.tap(box["x"] + 20, box["y"] - 20)
    assert not visit.page.locator("#told").is_visible()
    assert visit.complaints == []
    context.close()


def test_a_song_in_which_nothing_happens_can_be_opened(browser: Any, tmp_path: Path) -> None:
    model = report_of(tmp_path, "- {plugin: clock_filter}", "")
    write_page(model, tmp_path / "report.html")
    draw(model, tmp_path / "plot.png")
    visit = Visit(browser, tmp_path / "report.html", DESKTOP)
    assert visit.complaints == []
    visit.page.close()


def test_hostile_names_are_shown_and_not_run(browser: Any, hostile: Model, tmp_path: Path) -> None:
    write_page(hostile, tmp_path / "report.html")
    visit = Visit(browser, tmp_path / "report.html", DESKTOP)
    assert visit.complaints == []
    assert visit.page.title() == f"{HOSTILE}: log.tsv"
    assert visit.page.locator("h1").inner_text() == HOSTILE
    layout = lay_out(hostile)[0]
    cutoff = track(hostile.outputs[0], "cutoff")
    band = next(b for b in layout.bands if b.number == layout.row.tracks.index(cutoff))
    told = visit.point_at(0, share_of(hostile, 300_000), (band.top + band.bottom) / 2)
    assert any(HOSTILE in line for line in told)
    visit.page.close()


# ---- the picture ---------------------------------------------------------------------------------


def test_a_png_can_be_opened_and_is_no_plain_sheet(demo: Model, tmp_path: Path) -> None:
    image = pytest.importorskip("PIL.Image")
    draw(demo, tmp_path / "plot.png")
    with image.open(tmp_path / "plot.png") as picture:
        assert picture.format == "PNG"
        assert picture.width == 1200
        colours = {colour[:3] for _, colour in picture.convert("RGB").getcolors(1 << 20)}
    for name in ("SENT", "CAME_IN", "STOLEN", "HOME"):
        value = getattr(style, name)
        assert tuple(bytes.fromhex(value[1:])) in colours, name


def test_an_svg_is_well_formed_and_refers_to_nothing_outside(
    hostile: Model, tmp_path: Path
) -> None:
    draw(hostile, tmp_path / "plot.svg")
    root = ElementTree.parse(tmp_path / "plot.svg").getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    for element in root.iter():
        assert "script" not in element.tag
        for name, value in element.attrib.items():
            assert not name.endswith("href") or value.startswith("#")


# ---- the commands --------------------------------------------------------------------------------


def test_demo_writes_a_report_and_says_where(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["demo", "--report", "report.html", "--plot", "plot.svg"]) == 0
    said = capsys.readouterr().out
    assert "The report is in report.html.\n" in said
    assert "The picture is in plot.svg.\n" in said
    assert (tmp_path / "report.html").read_text("utf-8").startswith("<!DOCTYPE html>")


WRONG = {
    "a picture of another kind": (
        ["--plot", "plot.gif"],
        "--plot plot.gif: pictures are .png or .svg",
    ),
    "a report that is no page": (["--report", "r.pdf"], "--report r.pdf: a report is a page"),
    "a folder that is not there": (["--report", "no/r.html"], "no/r.html: there is no folder no"),
    "a folder in its place": (["--report", "x.html"], "x.html: this is a folder"),
    "a live demo": (["--report", "r.html", "--live"], "--report and --plot need the whole song"),
}


@pytest.mark.parametrize(("arguments", "line"), WRONG.values(), ids=WRONG)
def test_what_cannot_be_drawn_is_said_before_any_work(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    line: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x.html").mkdir()
    assert main(["demo", *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith(line)
    assert said.err.count("\n") == 1


@pytest.mark.parametrize(("option", "name"), [("--report", "bokeh"), ("--plot", "matplotlib")])
def test_a_library_that_is_missing_is_named_with_how_to_get_it(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    option: str,
    name: str,
) -> None:
    monkeypatch.setattr("pointsman.reporting.commands.find_spec", lambda wanted: None)
    assert main(["demo", option, str(tmp_path / "file.html")]) == 2
    assert capsys.readouterr().err == (
        f"{option}: {name}, which draws it, is not installed; "
        "to get it: pip install 'pointsman[report]'\n"
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device here that is always full")
@pytest.mark.parametrize("option", [["--report", "full.html"], ["--plot", "full.png"]])
def test_a_full_disk_is_one_line_that_names_the_file(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    option: list[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / option[1]).symlink_to("/dev/full")
    assert main(["demo", *option]) == 1
    said = capsys.readouterr().err
    assert said == f"{option[1]}: it cannot be written: No space left on device\n"


def test_what_was_rendered_before_a_fault_is_in_the_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "rig.yaml").write_text(
        "input: {port: 'null:'}\noutputs: {tug: {port: 'null:'}}\n", "utf-8"
    )
    (tmp_path / "log.tsv").write_text("0.1\t90 3C 40\n0.2\t80 3C 40\n0.3\t90 3C\n", "utf-8")
    report = tmp_path / "report.html"
    rendering = ["render", str(tmp_path / "rig.yaml"), str(tmp_path / "log.tsv")]
    assert main([*rendering, "--out", str(tmp_path / "out"), "--report", str(report)]) == 1
    assert capsys.readouterr().err.count("\n") == 1
    data = json.loads(Elements(report.read_text("utf-8")).scripts[0])
    assert data["rows"][0]["notes"]["begins"]["n"] == 1


def test_a_report_that_is_broken_off_leaves_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(model: Model, path: Path) -> None:
        path.write_text("half of it")
        raise KeyboardInterrupt

    monkeypatch.setattr("pointsman.reporting.page.write_page", stop)
    (tmp_path / "report.html").write_text("an older one")
    assert main(["demo", "--report", str(tmp_path / "report.html")]) == 130
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
    assert (tmp_path / "report.html").read_text() == "an older one"
