"""The sizing table of a large study, by hand."""

from __future__ import annotations

import re

from pipeline.bench.cluster_sizes import Figures, sizing_rows, sizing_table
from pipeline.fault_pages import DOCS

# What stands in the docs; the page names where each figure comes from.
EXAMPLE = Figures(1_000_000, 4.0, 15.0, 15.0, 0.25, 0.21, 15.6, 16, 0.9)


def test_table_by_hand() -> None:
    """720 clips of 10 s and 180 visits of 20 s are 2 + 1 core hours; 4 cores at 0.75 do 3 of them an hour."""
    rows = {
        what: (much, why) for what, much, why in sizing_rows(Figures(720, 4.0, 10.0, 20.0, 500.0, 1.0, 2.0, 4, 0.75))
    }
    assert rows["processor time"][0] == "3 core hours"
    assert rows["of it for clips"][0] == "67 %"
    assert rows["1 machine of 4 cores"] == ("1 h, 0.0 days", "0.2 clips a second come in")
    assert rows["4 machines of 4 cores"][1] == "0.8 clips a second come in"
    # 720 x 500 MB; 720 x 1 MB + 180 x 2 MB.
    assert rows["storage for clips"][0] == "0.36 TB"
    assert rows["storage for results"][0] == "0.00 TB"


def test_table_of_the_docs_is_the_one_that_its_figures_give() -> None:
    text = (DOCS / "cluster.md").read_text(encoding="utf-8")
    assert sizing_table(EXAMPLE) in text


def test_page_about_many_machines_is_linked_and_its_own_links_lead_somewhere() -> None:
    text = (DOCS / "cluster.md").read_text(encoding="utf-8")
    assert "(pipeline/docs/cluster.md)" in (DOCS.parents[1] / "README.md").read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    assert [link for link in links if not (DOCS / link).exists()] == []
