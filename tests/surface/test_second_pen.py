"""A second process draws the small pictures of a report, and nothing is lost when it fails."""

import subprocess
import sys

import pytest
from invented_rich import rich

from drift import workers
from drift.render import drawing
from drift.render.drawing import MANY_SOLVES, SecondPen, pictures_to_draw, small_svg
from drift.render.report import report_html
from drift.workers import Worker


@pytest.fixture(scope="module")
def analysis():
    return rich()


@pytest.fixture
def alone(reports):
    """The report of the same, drawn by one process."""
    return (reports / "rich.html").read_text(encoding="utf-8")


@pytest.fixture
def pen(monkeypatch):
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 2)
    made = drawing.second_pen(MANY_SOLVES)
    yield made
    made.put_down()


def test_it_is_started_for_long_records_on_several_cores_only(monkeypatch):
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 2)
    assert drawing.second_pen(MANY_SOLVES - 1) is None
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 1)
    assert drawing.second_pen(MANY_SOLVES) is None


def test_it_draws_what_would_be_drawn_here(analysis, pen):
    shown = pictures_to_draw(analysis)[0][:2]
    pen.ask(analysis, [picture.name for picture in shown])
    assert pen.drawn() == {picture.name: small_svg(picture, analysis) for picture in shown}


def test_the_report_is_the_same_with_it(analysis, alone, pen):
    assert report_html(analysis, pen=pen) == alone


@pytest.mark.parametrize("child", ["import sys; sys.exit(3)", "print('nonsense')"])
def test_a_child_that_fails_costs_nothing_but_time(analysis, alone, child):
    pipe = subprocess.PIPE
    broken = SecondPen(Worker(subprocess.Popen([sys.executable, "-c", child], stdin=pipe, stdout=pipe)))
    try:
        assert report_html(analysis, pen=broken) == alone
    finally:
        broken.put_down()


def test_one_that_was_never_asked_is_let_go(monkeypatch):
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 2)
    pen = drawing.second_pen(MANY_SOLVES)
    assert pen.drawn() == {}
    pen.put_down()
    assert pen.is_down
