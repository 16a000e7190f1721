"""The PDF of the report: it leaves nothing out, and nothing goes over its edge."""

import re
from dataclasses import replace

import pytest
from logbook.books import howl, written

from prehowl.daemon.logbook.advice import Advice, Watch
from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.report.data import gather
from prehowl.daemon.logbook.report.pdf import (
    PAGE_LINES,
    advice_lines,
    advice_page,
    advice_pages,
    save_pdf,
)


def advice_of(count: int) -> Advice:
    """Return so many bands to keep an eye on."""
    return Advice(watches=tuple(Watch(f"Mix {n}", f"Vox {n}", 2500.0) for n in range(count)))


@pytest.mark.parametrize("count", [0, 1, 42, 43, 200])
def test_the_pdf_leaves_no_advice_out(count):
    """Oracle: definition. Every line is on one of its pages, in order."""
    pages = advice_pages(advice_of(count))
    assert [line for lines in pages for line in lines] == advice_lines(advice_of(count))
    assert all(0 < len(lines) <= PAGE_LINES for lines in pages)


@pytest.mark.optional
def test_a_page_of_the_pdf_holds_its_lines(tmp_path):
    """Oracle: matplotlib's own measure of the text; its pages counted in the file."""
    pytest.importorskip("matplotlib", reason="needs matplotlib (extra `report`)")
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    path = written(tmp_path / "a.logbook", howl(1, 1, 4.0), clips=False)
    with LogbookReader(path) as reader:
        report = gather(reader)
    (full, rest) = advice_pages(advice_of(PAGE_LINES + 1))
    figure = advice_page(report, full, 1, 2)
    drawn = FigureCanvasAgg(figure).get_renderer()
    for text in figure.texts:
        box = text.get_window_extent(drawn)
        assert 0 < box.y0 < box.y1 < figure.bbox.height
        assert 0 < box.x0 < box.x1 < figure.bbox.width
    assert len(rest) == 1
    save_pdf(replace(report, advice=advice_of(PAGE_LINES + 1)), tmp_path / "a.pdf")
    pages = re.findall(rb"/Type\s*/Page\b", (tmp_path / "a.pdf").read_bytes())
    assert len(pages) == 2 + len(report.acts)
