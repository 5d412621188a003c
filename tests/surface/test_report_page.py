"""The report: one file that stands alone, escapes what people wrote, and can be read by all."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from invented_analysis import empty, invented, site
from invented_rich import rich
from markupsafe import escape
from matplotlib.figure import Figure

from drift.codes import MovedPart
from drift.errors import DriftError
from drift.notices import AdviceCode, warning
from drift.render import report
from drift.render.advice_words import poles_sentence
from drift.render.drawing import inline_svg, pictures_to_draw
from drift.render.figures.canvas import LIGHT
from drift.render.headline import headline
from drift.types import Poles, Verdict

RICH = rich()
NAMED = replace(invented(47.3, 1), site=site(name='</title><script>x</script>"'))
POLES = Poles(
    true_arcmin=1.4,
    true_sd_arcmin=0.1,
    refracted_arcmin=0.9,
    refracted_sd_arcmin=0.1,
    lift_arcsec=58.0,
    lift_sd_arcsec=2.0,
    aimed_at="true",
    suits="either",
)
VOID = {"meta", "br", "hr", "img", "input", "link"}
#: Attributes by which a page asks for something from elsewhere.
FETCHING = {"src", "href", "xlink:href", "srcset", "action", "data", "poster", "background"}


class Page(HTMLParser):
    """Gathers what the tests ask of a page; complains of tags that don't match."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.named: list[str] = []  # ids that something refers to
        self.fetched: list[str] = []
        self.headings: list[int] = []
        self.tags: list[str] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag not in VOID:
            self._open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        self._attributes(attrs)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self._attributes(attrs)

    def _attributes(self, attrs):
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name in ("aria-labelledby", "aria-describedby"):
                self.named += value.split()
            if name in FETCHING:
                self.fetched.append(value)
            self.named += re.findall(r"url\(#([^)]+)\)", value or "")

    def handle_endtag(self, tag):
        assert self._open.pop() == tag

    def handle_data(self, data):
        if self._open and self._open[-1] not in ("style", "script"):
            self.words.append(data)


@pytest.fixture(scope="module")
def text():
    aside = [("<i>old</i>.csv", "line 3: ra_deg = '<b>' is no number")]
    return report.report_html(RICH, where={17: "solves.csv, line 18"}, kept_aside=aside)


@pytest.fixture(scope="module")
def one_night():
    return report.report_html(NAMED)


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def test_asks_nothing_of_the_network(text, page):
    assert page.fetched
    assert [where for where in page.fetched if not where.startswith("#")] == []
    assert not re.search(r"url\((?!#)|@import|<script|<link|<iframe", text)
    outside = set(re.findall(r"https?://[^\"'\s<)]+", text))
    assert outside <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}  # names, never fetched


def test_all_references_within_the_page_lead_somewhere(page):
    assert len(set(page.ids)) == len(page.ids)
    assert {where[1:] for where in page.fetched} | set(page.named) <= set(page.ids)


def test_the_headline_stands_first_and_headings_are_in_order(text, page):
    first, second = (str(escape(line)) for line in headline(RICH).lines)
    places = [text.index(said) for said in (first, second, "What to do</h2>", "<svg", "History</h2>")]
    assert places == sorted(places)
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(page.headings, page.headings[1:], strict=False))


def test_what_people_wrote_is_shown_and_never_obeyed(text, page):
    assert "alert(" in text
    assert "<script" not in text
    assert "&lt;script&gt;alert(&#34;x&#34;)" in text
    assert "{{ 7 * 7 }}" in text
    assert "49" not in re.findall(r"\{\{.{0,20}", text)
    assert "\x1b" not in text
    assert "<i>old" not in text


def test_a_name_that_would_break_out_of_the_page_does_not(one_night):
    assert "<script" not in one_night
    assert "<title>&lt;/title&gt;&lt;script&gt;x&lt;/script&gt;" in one_night


def test_each_picture_has_words_and_numbers_beside_it(text):
    figures = re.findall(r"<figure.*?</figure>", text, re.DOTALL)
    assert len(figures) == len(pictures_to_draw(RICH, for_report=True)[0]) == 10
    for each in figures:
        small = re.search('id="picture-(event|causes)', each)
        assert each.count('role="img"') == (1 if small else 2)  # wide and for a phone
        told = re.findall(r"<desc[^>]*>(.+?)</desc>", each)
        assert all(len(words) > 60 for words in told)
        assert re.search(r"<details>\s*<summary>", each)
        assert each.count("<tr>") >= 3


def test_pictures_take_the_colours_of_the_page(text):
    inside = "".join(re.findall(r"<svg.*?</svg>", text, re.DOTALL))
    assert re.findall(r"#[0-9a-fA-F]{6}\b", inside) == []
    used = set(re.findall(r"var\(--c-(\w+)\)", text))
    assert used <= set(LIGHT)
    assert {"ink", "pier", "mount", "allowed", "time7"} <= used
    assert "prefers-color-scheme: dark" in text
    style = text[text.index("<style>") : text.index("</style>")]
    assert style.count("--c-pier:") == 3  # light, dark, and light again on paper
    assert style.rindex("@media print") > style.index("prefers-color-scheme")


def test_every_part_of_the_analysis_is_there(page):
    words = " ".join(" ".join(page.words).split())
    for said in (
        "Hill garden",
        "Take the load off",
        "1.19' ± 0.07' west of the pole",
        "Trailing in one exposure",
        "mount in azimuth 96 %",
        "asked",
        "swings by 16",
        "2021-22",
        "told from the altitude adjuster only through time",
        "axis non-perpendicularity",
        "solves.csv, line 18",
        "row 3 of the record",
        "is no number",
        "false_alarms_per_year",
        "The leap-second table has ended",
        "tilt walk [arcsec per sqrt day]",
        "± is one standard deviation",
        "2021-10-03 23:00 CEST (21:00 UTC)",
    ):
        assert said in words, said


def test_numbers_in_pictures_keep_their_decimals_as_text():
    figure = Figure(figsize=(3, 2))
    panel = figure.add_axes((0.2, 0.2, 0.7, 0.7))
    panel.plot([0.0, 1.0], [0.85123, 0.95123])
    panel.set_yticks([0.85123, 0.95123], ["0.85123", "0.95123"])
    drawn = inline_svg(figure, "x", "title", "description")
    assert {"0.85123", "0.95123"} <= set(re.findall(r"<text[^>]*>([^<]+)</text>", drawn))
    assert not re.search(r" d=\"[^\"]*\.\d\d", drawn), "places in the picture are to a tenth"


def test_stands_whole_when_parts_are_missing(one_night):
    nothing = report.report_html(empty())
    assert "Axis not known" in nothing or "Nothing can be told yet" in nothing
    assert 'class="verdict unknown"' in nothing  # neither green nor orange
    for page in (Page(one_night), Page(nothing)):
        assert len(set(page.ids)) == len(page.ids)
        assert not re.search(r"\bnan\b|\bNone\b", " ".join(page.words))


def test_the_same_analysis_gives_the_same_page_and_progress_is_told(one_night):
    told: list[str] = []
    assert report.report_html(NAMED, progress=told.append) == one_night
    assert told == ["The axis, night by night"]


def test_pictures_stand_before_numbers_and_numbers_before_how_it_was_worked_out(text):
    order = [text.index(f'id="{part}"') for part in ("verdict", "do", "pictures", "numbers", "now", "rests")]
    assert order == sorted(order)
    assert text.index("</figure>") < text.index('id="numbers"')
    assert "</figure>" not in text[text.index('id="numbers"') :]


def test_a_picture_without_data_is_left_out_with_a_sentence(text, one_night):
    assert one_night.count("<figure") == 1
    left_out = one_night[one_night.index('id="left-out"') : one_night.index('id="numbers"')]
    assert "Has it moved?: A movement shows from the second night on" in left_out
    assert left_out.count("<li>") == 5
    assert 'id="left-out"' not in text


def test_what_was_assumed_of_the_ground_is_said(page):
    words = " ".join(" ".join(page.words).split())
    assert "[pier] soil is not given: a middling fine soil is assumed." in words
    assert "Of the ground and the weather" in words


def test_the_poles_and_the_aim_for_the_year_are_said_where_they_are_known():
    analysis = replace(NAMED, advice=replace(NAMED.advice, poles=POLES))
    page = Page(report.report_html(analysis))
    assert poles_sentence(POLES) in " ".join(" ".join(page.words).split())
    assert "aims" in page.ids and "aims" not in Page(report.report_html(NAMED)).ids


def test_a_sheet_of_paper_holds_any_picture_whole(text):
    paper = text[text.rindex("@page") : text.index("</style>")]
    assert re.search(r"figure, tr[^}]*break-inside: avoid", paper)
    assert "max-height: 100mm" in paper and "max-height: 172mm" in paper
    tall = re.findall(r'<figure id="picture-([a-z0-9-]+)" class="tall"', text)
    assert "event-1" in tall and "axis" not in tall


def test_what_moved_is_history_below_what_to_do():
    slipped = NAMED.advice.verdict.clauses[0]
    grown = warning(
        AdviceCode.PIER_TILTS,
        tilt_north_arcsec=60.0,
        tilt_north_sd_arcsec=3.0,
        tilt_east_arcsec=None,
        tilt_east_sd_arcsec=None,
        beside_steps=False,
    )
    head = warning(AdviceCode.MOVED, part=MovedPart.BOTH, slip_put_right=False)
    verdict = Verdict(moved=True, part=MovedPart.BOTH, notice=head, clauses=(slipped, grown))
    text = report.report_html(replace(NAMED, advice=replace(NAMED.advice, verdict=verdict)))
    said = (
        'id="do"',
        "History</h2>",
        "<p>Both the pier and the mount have moved.</p>",
        "It tilts 60&#34; ± 3&#34;",
    )
    at = [text.index(words) for words in said]
    assert at == sorted(at)
    assert "east-west not told).</li>" in text


def test_what_waits_stands_between_what_to_do_and_history():
    text = report.report_html(NAMED, waiting=["The pier passed its limit & more."])
    at = [
        text.index(words)
        for words in ('id="do"', "1 warning waiting</h2>", "limit &amp; more", "History</h2>")
    ]
    assert at == sorted(at)
    assert 'id="waiting"' not in report.report_html(NAMED)


def test_an_earlier_report_is_replaced_and_another_file_is_not(tmp_path):
    target = tmp_path / "report.html"
    report.save_report(f"<html>{report.MARK} one", target)
    report.save_report(f"<html>{report.MARK} two", target)
    assert target.read_text() == f"<html>{report.MARK} two"
    other = tmp_path / "thesis.html"
    other.write_text("<html>years of work")
    with pytest.raises(DriftError, match=r"thesis\.html: there is a file of that name which is not a report"):
        report.save_report("new", other)
    assert other.read_text() == "<html>years of work"


def test_a_place_that_cannot_be_written_is_named(tmp_path):
    with pytest.raises(DriftError, match=r"that is a folder\.  Name a file, as in .*report\.html"):
        report.save_report("new", tmp_path)
    with pytest.raises(DriftError, match=r"there is no folder .*nowhere\.  Make it first"):
        report.save_report("new", tmp_path / "nowhere" / "report.html")


def test_a_disk_that_fills_up_leaves_the_earlier_report(tmp_path, monkeypatch):
    target = tmp_path / "report.html"
    report.save_report(f"{report.MARK} one", target)

    def full(self, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(DriftError, match="No space left on device"):
        report.save_report(f"{report.MARK} two", target)
    assert target.read_text() == f"{report.MARK} one"
    assert [file.name for file in tmp_path.iterdir()] == ["report.html"]


def test_a_caption_stands_once_however_many_steps_are_drawn_close_up():
    text = report.report_html(RICH)
    assert text.count('id="picture-event-') >= 2
    captions = re.findall(r"<figcaption>(.*?)</figcaption>", text, re.DOTALL)
    assert len(captions) == len(set(captions)) > 4 and all(captions)


def test_what_waits_is_not_said_again_under_history():
    moved = report.said(RICH)["moved_parts"]
    for waiting in ([], moved[:1]):
        text = report.report_html(RICH, waiting=[*waiting, "Another warning, which is told here only."])
        assert [text.count(str(escape(one))) for one in moved] == [1] * len(moved) != []
